"""The coverage report: which questions and answers carry LOINC, SNOMED CT, both, or our own code alone, and why."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterable, Sequence

from adapter.catalogue import Catalogue, Code, Item
from adapter.catalogue.coverage import Coded, Coverage, coded
from adapter.catalogue.proof import Proof
from adapter.document import Block, Column, Document, Fields, Heading, Notice, Paragraph, Row, Table, say, to_html

_COLUMNS = ("kind", "own_code", "label", "coded", "loinc", "snomed", "hpo", "other", "why", "proof")
_KINDS = {
    "item": "questions",
    "component": "numbers of measurements",
    "sign": "signs of scores",
    "answer": "answers",
}
_CAUTION = (
    "Counted over what this site sends. That a code is there says that it was verified in a published source, not "
    "that a terminologist has signed the map."
)


def coverage_report(items: Iterable[Item], catalogue: Catalogue, form: str) -> str:
    """The report over these items as ``table`` (text), ``csv``, ``json`` or ``html``."""
    rows = list(coded(items, catalogue))
    match form:
        case "csv":
            return _csv(rows, catalogue.proof)
        case "json":
            return json.dumps([_fields(row, catalogue.proof) for row in rows], indent=2, ensure_ascii=False) + "\n"
        case "html":
            return to_html(_document(rows, catalogue)).decode()
    return _text(rows, catalogue)


def counted(rows: Sequence[Coded]) -> dict[str, Counter[Coverage]]:
    """How many of each kind are covered how."""
    return {kind: Counter(row.covered for row in rows if row.kind == kind) for kind in _KINDS}


def _fields(row: Coded, proof: Proof | None) -> dict[str, str]:
    by: dict[str, list[str]] = {"loinc": [], "snomed": [], "hpo": [], "other": []}
    for code in row.codes:
        shown = code.code + (f" |{code.display}|" if code.display else "")
        by.get(code.system, by["other"]).append(shown if code.system in by else f"{code.system} {shown}")
    joined = {system: "; ".join(codes) for system, codes in by.items()}
    return {
        "kind": row.kind,
        "own_code": row.place,
        "label": row.label,
        "coded": row.covered.value,
        **joined,
        "why": row.why,
        "proof": "; ".join(f"{code.code} {verdict(code, proof)}" for code in row.codes) if proof else "",
    }


def verdict(code: Code, proof: Proof) -> str:
    """What the site's proof says of a code."""
    held = proof.by_code.get((code.system, code.code))
    return held.verdict.value if held is not None else "not in the proof"


def _csv(rows: Sequence[Coded], proof: Proof | None) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_fields(row, proof) for row in rows)
    return out.getvalue()


def _shown(code: Code, proof: Proof | None) -> str:
    return f"{code} [{verdict(code, proof)}]" if proof else str(code)


def _sums(rows: Sequence[Coded]) -> list[tuple[str, list[int]]]:
    """Of each kind that there is: how many, and how many are covered how, in the order of Coverage."""
    counts = counted(rows)
    return [(words, [counts[kind][c] for c in Coverage]) for kind, words in _KINDS.items() if counts[kind]]


def _text(rows: Sequence[Coded], catalogue: Catalogue) -> str:
    lines = []
    for row in rows:
        depth = "" if row.kind == "item" else "  "
        codes = "; ".join(_shown(code, catalogue.proof) for code in row.codes)
        lines.append(f"{row.covered.value:<7}{depth}{row.place}  {row.label}")
        lines += [f"       {depth}  {said}" for said in (codes, row.why) if said]
    names = ["", "in all", *(c.value for c in Coverage)]
    table = [names, *([words, str(sum(n)), *map(str, n)] for words, n in _sums(rows))]
    widths = [max(len(line[column]) for line in table) for column in range(len(names))]
    lines += [
        "",
        *("  ".join(cell.ljust(w) for cell, w in zip(line, widths, strict=True)).rstrip() for line in table),
    ]
    return "\n".join([*lines, "", _CAUTION, _site(catalogue), *filter(None, [catalogue.notice()]), ""])


def _site(catalogue: Catalogue) -> str:
    settings = catalogue.settings
    known = f"Catalogue {settings.version}; SNOMED CT: {settings.snomed}; HPO: {settings.hpo}"
    return f"{known}; {settings.policy.name}, {settings.policy.date}. {_proof(catalogue)}"


def _proof(catalogue: Catalogue) -> str:
    proof = catalogue.proof
    if proof is None:
        return "No code is proved against a release (newborn-adapter terminology prove)."
    counts = Counter(one.verdict.value for one in proof.codes)
    shown = ", ".join(f"{count} {word}" for word, count in counts.most_common())
    editions = ", ".join(f"{name} {one.version or 'version not told'}" for name, one in proof.editions.items())
    return f"Proof of {proof.made.date().isoformat()}, {proof.server}: {shown}; {editions}."


def _document(rows: Sequence[Coded], catalogue: Catalogue) -> Document:
    blocks: list[Block] = [
        Notice("Read first", (Paragraph(say(_CAUTION)),)),
        Heading("In numbers"),
        Table(
            "Coding coverage",
            tuple(Column(name, 2 if not name else 1) for name in ("", "in all", *(c.value for c in Coverage))),
            tuple(Row(tuple(say(cell) for cell in (w, str(sum(n)), *map(str, n)))) for w, n in _sums(rows)),
        ),
    ]
    for region in catalogue.regions.values():
        own = {item.id for item in region.items}
        chosen = [row for row in rows if row.place.partition(".")[0] in own]
        if chosen:
            blocks += [Heading(region.label), _table(region.label, chosen, catalogue.proof)]
    about = Fields((("Catalogue", say(catalogue.settings.version)), ("SNOMED CT", say(catalogue.settings.snomed))))
    return Document(
        title="Coverage by published codes",
        language="en",
        running=say(_site(catalogue)),
        foot="newborn-adapter items --coverage",
        blocks=(about, *blocks),
    )


def _table(caption: str, rows: Sequence[Coded], proof: Proof | None) -> Table:
    columns = (
        Column("Our code", 6),
        Column("Label", 6),
        Column("Coded", 3),
        Column("Published codes, or why none", 9),
    )
    cells = (
        (row.place, row.label, row.covered.value, "; ".join(_shown(c, proof) for c in row.codes) or row.why)
        for row in rows
    )
    return Table(caption, columns, tuple(Row(tuple(say(cell) for cell in line)) for line in cells))
