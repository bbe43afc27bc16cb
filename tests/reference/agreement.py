"""Compares our validator with the reference judge, error by error.

    python tests/reference/agreement.py    has the corpus judged anew: verdicts.ndjson, agreement.md

An error of the judge is found when ours reports an error at the same element, at one that holds it, or at one that it
holds. ``verdicts.ndjson`` keeps the judge's errors, so that the comparison needs no Java; the marker ``reference``
has them judged again and compared. Every disagreement is explained in ``disagreements.json``.
"""

from __future__ import annotations

import json
import re
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent

if __name__ == "__main__":
    sys.path[:0] = [str(HERE.parents[1]), str(HERE), str(HERE.parent / "validate")]

from judge import Message, judge  # noqa: E402

from adapter.fhir.json import dumps, loads  # noqa: E402
from adapter.validate import validate  # noqa: E402

CORPUS = HERE / "corpus.ndjson"
VERDICTS = HERE / "verdicts.ndjson"
TABLE = HERE / "agreement.md"
DISAGREEMENTS = HERE / "disagreements.json"

_NOISE = re.compile(r"/\*.*?\*/|\.ofType\(\w+\)|\[\w+\]|\(.*?\)")


@dataclass(slots=True)
class Case:
    """A line of the corpus."""

    name: str
    rule: str
    resource: dict[str, Any]


@dataclass(slots=True)
class Agreement:
    """What the comparison gives: per rule of the corpus, and the two kinds of disagreement."""

    errors: int = 0
    found: int = 0
    #: name of the case to the judge's errors that ours did not find: place, message id, text
    overlooked: dict[str, list[list[str]]] = field(default_factory=dict)
    #: name of the case to our errors where the judge has none at all: rule, place
    ours_alone: dict[str, list[list[str]]] = field(default_factory=dict)
    by_rule: dict[str, Counter[str]] = field(default_factory=dict)


def corpus() -> list[Case]:
    """The cases."""
    return [Case(**loads(line)) for line in CORPUS.read_bytes().splitlines()]


def verdicts() -> list[list[list[str]]]:
    """The judge's errors on each case, as they were kept: place, message id, text."""
    return [loads(line) for line in VERDICTS.read_bytes().splitlines()]


def judged_anew(cases: Iterable[Case]) -> list[list[list[str]]]:
    """The judge's errors on each case, asked now."""
    lines = [dumps(case.resource) for case in cases]
    found: list[list[list[str]]] = [[] for _ in lines]
    for message in judge(lines):
        if message.is_error:
            found[message.number].append(_kept(message))
    return found


def _kept(message: Message) -> list[str]:
    return [message.place, message.id if message.id != "null" else "", message.text[:120]]


def compare(cases: list[Case], said: list[list[list[str]]]) -> Agreement:
    """Hold our errors against the judge's."""
    result = Agreement()
    for case, errors in zip(cases, said, strict=True):
        ours = [(p.rule, p.where) for p in validate(case.resource).errors]
        counter = result.by_rule.setdefault(case.rule, Counter())
        counter["cases"] += 1
        counter["judge"] += bool(errors)
        counter["ours"] += bool(ours)
        counter["both"] += bool(errors and ours)
        missed = [error for error in errors if not any(_meets(error[0], where) for _, where in ours)]
        result.errors += len(errors)
        result.found += len(errors) - len(missed)
        if missed:
            result.overlooked[case.name] = missed
        if ours and not errors:
            result.ours_alone[case.name] = [list(pair) for pair in ours]
    return result


def _meets(place: str, where: str) -> bool:
    """Whether two places are the same element, or one holds the other; ``value[x]`` is any ``valueX``."""
    pairs = zip(_steps(place), _steps(where), strict=False)
    return all(one.startswith(two) or two.startswith(one) for one, two in pairs)


def _steps(place: str) -> list[str]:
    """The names on the way, without indexes, types and comments; none for the whole."""
    plain = _NOISE.sub("", place).replace("._", ".")
    return [] if plain in ("", "$", "null") else plain.split(".")


def table(agreement: Agreement) -> str:
    """The agreement by rule, for people."""
    lines = [
        "# Agreement with the reference judge, by the rule that a case of the corpus breaks",
        "",
        "Made by `python tests/reference/agreement.py`; *valid* cases break none, *?* are for the judge to say.",
        "",
        f"Errors of the judge: {agreement.errors}; found at the same place: {agreement.found}.",
        "",
        *rows(agreement),
    ]
    return "\n".join(lines) + "\n"


def rows(agreement: Agreement) -> list[str]:
    """A Markdown table of the verdicts by rule."""
    lines = ["| rule | cases | judge finds an error | we find one | both |", "|---|---|---|---|---|"]
    for rule, counter in sorted(agreement.by_rule.items()):
        numbers = " | ".join(str(counter[key]) for key in ("cases", "judge", "ours", "both"))
        lines.append(f"| {rule or 'valid'} | {numbers} |")
    return lines


def explanations() -> dict[str, dict[str, str]]:
    """One line on each disagreement: by name of the case, or by rule or message id."""
    kept: dict[str, dict[str, str]] = json.loads(DISAGREEMENTS.read_text())
    return kept


def main() -> int:
    """Have the corpus judged anew and write what came of it."""
    cases = corpus()
    said = judged_anew(cases)
    VERDICTS.write_bytes(b"\n".join(dumps(errors) for errors in said) + b"\n")
    agreement = compare(cases, said)
    TABLE.write_text(table(agreement))
    print(f"{agreement.errors} errors of the judge, {agreement.found} found")
    for name, missed in agreement.overlooked.items():
        print(f"overlooked: {name}: {missed}")
    for name, ours in agreement.ours_alone.items():
        print(f"ours alone: {name}: {ours}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
