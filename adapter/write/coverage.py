"""The coverage report: which questions and answers carry LOINC, SNOMED CT, both, or our own code alone, and why.

As text, CSV and JSON it is for engineers and in English; as a page in the site's language, but for the reasons why
there is no code, which are English everywhere and marked so.
"""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterable, Sequence

from adapter.catalogue import Catalogue, Code, Item
from adapter.catalogue.coverage import Coded, Coverage, coded
from adapter.catalogue.proof import Proof
from adapter.catalogue.settings import SHIPPED_LANGUAGE
from adapter.catalogue.words import Words, english
from adapter.document import (
    Block,
    Column,
    Document,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Row,
    Run,
    Table,
    say,
    to_html,
)

_COLUMNS = ("kind", "own_code", "label", "coded", "loinc", "snomed", "hpo", "other", "why", "proof")
_KINDS = ("item", "component", "sign", "answer")


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
    held = _held(code, proof)
    return held or "not in the proof"


def _held(code: Code, proof: Proof) -> str | None:
    held = proof.by_code.get((code.system, code.code))
    return held.verdict.value if held is not None else None


def _csv(rows: Sequence[Coded], proof: Proof | None) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_fields(row, proof) for row in rows)
    return out.getvalue()


def _shown(code: Code, proof: Proof | None, words: Words) -> str:
    if proof is None:
        return str(code)
    held = _held(code, proof)
    said = words.say(f"coverage.verdict.{held}") if held else words.say("coverage.not_proved")
    return f"{code} [{said}]"


def _sums(rows: Sequence[Coded], words: Words) -> list[tuple[str, list[int]]]:
    """Of each kind that there is: how many, and how many are covered how, in the order of Coverage."""
    counts = counted(rows)
    named = ((words.say(f"coverage.of.{kind}"), counts[kind]) for kind in _KINDS)
    return [(name, [count[c] for c in Coverage]) for name, count in named if count]


def _text(rows: Sequence[Coded], catalogue: Catalogue) -> str:
    lines, words = [], english()
    for row in rows:
        depth = "" if row.kind == "item" else "  "
        codes = "; ".join(_shown(code, catalogue.proof, words) for code in row.codes)
        lines.append(f"{row.covered.value:<7}{depth}{row.place}  {row.label}")
        lines += [f"       {depth}  {said}" for said in (codes, row.why) if said]
    names = ["", "in all", *(c.value for c in Coverage)]
    table = [names, *([name, str(sum(n)), *map(str, n)] for name, n in _sums(rows, words))]
    widths = [max(len(line[column]) for line in table) for column in range(len(names))]
    lines += [
        "",
        *("  ".join(cell.ljust(w) for cell, w in zip(line, widths, strict=True)).rstrip() for line in table),
    ]
    said = [words.say("coverage.caution"), _site(catalogue, words), *filter(None, [catalogue.notice()])]
    return "\n".join([*lines, "", *said, ""])


def _site(catalogue: Catalogue, words: Words) -> str:
    settings, policy = catalogue.settings, catalogue.settings.policy
    known = {"version": settings.version, "snomed": settings.snomed, "hpo": settings.hpo}
    said = words.say("coverage.site", **known, policy=policy.name, date=policy.date)
    return f"{said} {_proof(catalogue, words)}"


def _proof(catalogue: Catalogue, words: Words) -> str:
    proof = catalogue.proof
    if proof is None:
        return words.say("coverage.no_proof", command="newborn-adapter terminology prove")
    counts = Counter(one.verdict.value for one in proof.codes)
    shown = ", ".join(f"{count} {words.say(f'coverage.verdict.{word}')}" for word, count in counts.most_common())
    unknown = words.say("coverage.no_version")
    editions = ", ".join(f"{name} {one.version or unknown}" for name, one in proof.editions.items())
    made = proof.made.date().isoformat()
    return words.say("coverage.proof", date=made, server=proof.server, counts=shown, editions=editions)


def _document(rows: Sequence[Coded], catalogue: Catalogue) -> Document:
    words = catalogue.words
    first = tuple(Paragraph(say(text)) for text in (words.say("coverage.caution"), words.remark()) if text)
    names = ("", words.say("coverage.in_all"), *(words.say(f"coverage.by.{c.value}") for c in Coverage))
    blocks: list[Block] = [
        Notice(words.say("coverage.first"), first),
        Heading(words.say("coverage.in_numbers")),
        Table(
            words.say("coverage.coding"),
            tuple(Column(name, 2 if not name else 1) for name in names),
            tuple(Row(tuple(say(cell) for cell in (w, str(sum(n)), *map(str, n)))) for w, n in _sums(rows, words)),
        ),
    ]
    for region in catalogue.regions.values():
        own = {item.id for item in region.items}
        chosen = [row for row in rows if row.place.partition(".")[0] in own]
        if chosen:
            blocks += [Heading(region.label), _table(region.label, chosen, catalogue)]
    version, snomed = say(catalogue.settings.version), say(catalogue.settings.snomed)
    about = Fields(((words.say("coverage.catalogue"), version), (words.say("coverage.snomed"), snomed)))
    return Document(
        title=words.say("coverage.title"),
        language=words.language,
        page_of=words.template("document.page_of"),
        unshown=words.both("document.unshown"),
        running=say(_site(catalogue, words)),
        foot="newborn-adapter items --coverage",
        blocks=(about, *blocks),
    )


def _table(caption: str, rows: Sequence[Coded], catalogue: Catalogue) -> Table:
    words, proof = catalogue.words, catalogue.proof
    marked = "" if words.language == SHIPPED_LANGUAGE else SHIPPED_LANGUAGE
    widths = {"own": 6, "label": 6, "coded": 3, "why": 9}
    columns = tuple(Column(words.say(f"coverage.{name}"), width) for name, width in widths.items())

    def codes(row: Coded) -> Run:
        """The codes, whose displays are as published, or why there is none: both are English."""
        return Run("; ".join(_shown(c, proof, words) for c in row.codes) or row.why, language=marked)

    cells = (
        (say(row.place), say(row.label), say(words.say(f"coverage.by.{row.covered.value}")), say(codes(row)))
        for row in rows
    )
    return Table(caption, columns, tuple(Row(line) for line in cells))
