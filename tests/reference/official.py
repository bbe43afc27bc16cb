"""The official examples of R4 and mutants of them: our word, the reference judge's, each difference with its reason.

    python tests/reference/official.py FOLDER            our word against the judge's as it was kept; needs no Java
    python tests/reference/official.py FOLDER --judge    has everything judged anew first

FOLDER holds the files of the package ``hl7.fhir.r4.examples`` 4.0.1 (its folder ``package``), which is not part of
the project. ``official.ndjson`` keeps the judge's errors of each file and mutant that it refuses, with a digest of
all; ``official.md`` is the table; ``differences.json`` says of each class of differences who is right by R4's text.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent

if __name__ == "__main__":
    sys.path[:0] = [str(HERE.parents[1]), str(HERE), str(HERE.parent / "validate")]

from agreement import Agreement, Case, compare, judged_anew, rows  # noqa: E402
from mutants import mutant  # noqa: E402

from adapter.fhir.json import dumps, loads  # noqa: E402

KEPT = HERE / "official.ndjson"
TABLE = HERE / "official.md"
DIFFERENCES = HERE / "differences.json"

#: Larger files, bundles of all definitions, are left out; mutants are made of small ones
MOST_BYTES = 400_000
MOST_OF_A_MUTANT = 20_000
MUTANTS = 5000
BATCH = 1500
#: What HL7 asks of its own publications (who the work group is, who publishes) and R4 of nobody; said of 1,555 files
POLICY = "VALIDATION_HL7_"

#: name of a refused case to the judge's errors: place, message id or the beginning of the text
Said = dict[str, list[list[str]]]


def examples(folder: Path) -> list[Case]:
    """The official examples by name; the rule of each is its type."""
    made = []
    for path in sorted(folder.glob("*-*.json")):
        if path.stat().st_size <= MOST_BYTES:
            resource = loads(path.read_bytes())
            made.append(Case(path.name.removesuffix(".json"), str(resource.get("resourceType")), resource))
    return made


def mutants(cases: Iterable[Case], refused: Iterable[str]) -> Iterator[Case]:
    """As many of each type as of any other, of examples that the judge lets pass; the rule is the kind of change."""
    bases: dict[str, list[Case]] = defaultdict(list)
    wrong = set(refused)
    for case in cases:
        if case.name not in wrong and len(dumps(case.resource)) <= MOST_OF_A_MUTANT:
            bases[case.rule].append(case)
    each = -(-MUTANTS // len(bases))
    for of_type in bases.values():
        by_digest = sorted(of_type, key=lambda case: hashlib.sha256(case.name.encode()).digest())
        for number in range(each):
            base = by_digest[number % len(by_digest)]
            name = f"{base.name}~{number}"
            kind, made = mutant(base.resource, name)
            yield Case(name, kind, made)


def digest(cases: Iterable[Case]) -> str:
    """What tells whether these are the files that were judged."""
    whole = hashlib.sha256()
    for case in cases:
        whole.update(case.name.encode() + dumps(case.resource))
    return whole.hexdigest()[:16]


def ask(cases: list[Case]) -> Said:
    """The judge's errors on each case that it refuses, in batches, since it takes its time."""
    said: Said = {}
    for first in range(0, len(cases), BATCH):
        part = cases[first : first + BATCH]
        for case, errors in zip(part, judged_anew(part), strict=True):
            short = {(place, identifier or text[:60]): None for place, identifier, text in errors}
            if short:
                said[case.name] = [list(error) for error in short]
        print(f"judged {first + len(part)} of {len(cases)}", file=sys.stderr, flush=True)
    return said


def keep(cases: list[Case], said: Said) -> None:
    """Write what the judge said: what was judged first, then a line a refused case."""
    lines: list[Any] = [{"digest": digest(cases), "cases": len(cases)}]
    lines += [[name, *said[name]] for name in sorted(said)]
    KEPT.write_bytes(b"\n".join(map(dumps, lines)) + b"\n")


def kept() -> tuple[dict[str, Any], Said]:
    """What was judged, and the errors by name of the case."""
    head, *lines = map(loads, KEPT.read_bytes().splitlines())
    return head, {name: errors for name, *errors in lines}


Reason = tuple[str, str, str]


def reasons(agreement: Agreement) -> tuple[Counter[Reason], list[str]]:
    """How many differences each reason explains (side, who is right, why), and those that none does."""
    classes = json.loads(DIFFERENCES.read_text())
    counted: Counter[Reason] = Counter()
    unexplained = []
    for side, found in (("overlooked", agreement.overlooked), ("ours alone", agreement.ours_alone)):
        for name, errors in found.items():
            for error in errors:
                line = f"{name} {' '.join(error)}"
                one = next((one for one in classes[side] if re.search(one["what"], line)), None)
                if one is None:
                    unexplained.append(f"{side}: {line}")
                else:
                    counted[side, one["right"], one["why"]] += 1
    return counted, unexplained


def table(agreement: Agreement, counted: Counter[Reason], cases: int) -> str:
    """The verdicts by type and by kind of change, and the reasons, for people."""
    unbacked = sum(
        number for (side, right, _), number in counted.items() if side == "overlooked" and right != "judge"
    )
    backed = agreement.errors - unbacked
    lines = [
        "# The official examples of R4 and their mutants: the reference judge's verdicts and ours",
        "",
        "Made by `python tests/reference/official.py FOLDER`; rows: types (examples), kinds of change (mutants).",
        "",
        f"Cases: {cases}. Errors of the judge: {agreement.errors}, of which R4 backs {backed}; found at their place: "
        f"{agreement.found} ({100 * agreement.found / backed:.2f} % of those). Cases that we alone refuse: "
        f"{len(agreement.ours_alone)}.",
        "",
        "| difference | errors | who is right by the text of R4 | why |",
        "|---|---|---|---|",
        *(f"| {side} | {number} | {right} | {why} |" for (side, right, why), number in counted.most_common()),
        "",
        *rows(agreement),
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Compare, or have judged anew; 1 where a difference has no reason."""
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("folder", type=Path)
    arguments.add_argument("--judge", action="store_true")
    given = arguments.parse_args()
    originals = examples(given.folder)
    if given.judge:
        said = ask(originals)
        changed = list(mutants(originals, said))
        said |= ask(changed)
        keep([*originals, *changed], said)
    head, said = kept()
    cases = [*originals, *mutants(originals, {name for name in said if "~" not in name})]
    if digest(cases) != head["digest"]:
        print("these are not the files that were judged: --judge has them judged anew", file=sys.stderr)
        return 1
    backed = {name: [e for e in errors if not e[1].startswith(POLICY)] for name, errors in said.items()}
    agreement = compare(cases, [backed.get(case.name, []) for case in cases])
    counted, unexplained = reasons(agreement)
    print(f"{len(cases)} cases, {agreement.errors} errors of the judge, {agreement.found} found at their place")
    print(*unexplained, sep="\n")
    TABLE.write_text(table(agreement, counted, len(cases)))
    return int(bool(unexplained))


if __name__ == "__main__":
    raise SystemExit(main())
