"""Reads worked cases: a row is what a published text says of an infant (columns of the CSV files beside this).

``source`` and ``place``: the text and where in it. ``infant``: ``39+0 30h male``, each part as it may be left out.
``findings``, with semicolons between: ``ITEM ANSWER``, ``ITEM NUMBER UNIT``, ``ITEM sign=answer sign=answer``,
``ITEM total=5``, ``ITEM component=97 component=96 %``, ``ITEM not:REASON``; then ``@site``, ``left``, ``right``,
``state:crying``, ``at:25h`` (hours of life). ``asked`` and ``expected``:

    tell RULE       how soon a line of this rule, or of this item, is told: now, soon, next, or none
    means ITEM      expected, variant, abnormal, or nothing (where it is not judged)
    total ITEM      the total of a score
    value ITEM      what is computed: a number with its unit, or an answer
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

from scenes import BORN, made, read, scene, scored, tells

from adapter.catalogue import Catalogue
from adapter.derive import judged_findings, score_total
from adapter.exam import At, Exam, Finding, Quantities, Score, Sex, Side, Urgency

HERE = Path(__file__).parent
URGENCIES = dict(zip(Urgency, ("none", "next", "soon", "now"), strict=True))


def rows() -> Iterator[tuple[str, dict[str, str]]]:
    """Every row, with the file and line that it stands at."""
    for path in sorted(HERE.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as text:
            for row in (reader := csv.DictReader(text)):
                assert None not in row, f"{path.name}, line {reader.line_num}: a cell too many"
                yield f"{path.name}, line {reader.line_num}", row


def exam_of(row: dict[str, str]) -> Exam:
    """The invented exam that has the findings of a row."""
    infant = row["infant"]
    weeks, hours = re.search(r"(\d+)\+(\d)", infant), re.search(r"([\d.]+)h", infant)
    sex = next((s for s in Sex if s.value in infant.split()), Sex.MALE)
    gestation = {"weeks": int(weeks[1]), "days": int(weeks[2])} if weeks else {}
    findings = tuple(_finding(text.split()) for text in row["findings"].split(";"))
    return scene(*findings, hours=hours[1] if hours else "30", sex=sex, **gestation)


def _finding(words: list[str]) -> Finding:
    item, *rest = words
    more: dict[str, object] = {}
    said: list[str] = []
    for word in rest:
        key, _, value = word.partition(":")
        if word.startswith("@"):
            more["site"] = word[1:]
        elif word in ("left", "right"):
            more["side"] = Side(word)
        elif key == "at":
            more["observed_at"] = BORN + timedelta(hours=float(value.rstrip("h")))
        elif key in ("state", "method"):
            more[key] = value
        elif key == "not":
            more["not_examined"] = value
        else:
            said.append(word)
    return _valued(item, said, more)


def _valued(item: str, said: list[str], more: dict[str, object]) -> Finding:
    if "not_examined" in more:
        return Finding(item=item, **more)
    pairs = dict(word.split("=") for word in said if "=" in word)
    if "total" in pairs:
        return scored(item, int(pairs["total"]))
    if pairs and all(re.fullmatch(r"[\d.]+", value) for value in pairs.values()):
        parts = {name: Decimal(value) for name, value in pairs.items()}
        return Finding(item=item, value=Quantities(components=parts, unit=said[-1]), **more)
    if pairs:
        return scored(item, **pairs)
    if re.fullmatch(r"-?[\d.]+", said[0]):
        return read(item, said[0], said[1], **more)
    if said[0] == "came":
        return Finding(item=item, value=At(time=BORN + timedelta(hours=float(said[1].rstrip("h")))), **more)
    return Finding(item=item, value=said[0], **more)


def answer(row: dict[str, str], catalogue: Catalogue) -> str:
    """What the program says to the question of a row."""
    exam = exam_of(row)
    what, name = row["asked"].split()
    if what == "tell":
        own = [t for t in tells(exam, catalogue) if t.rule == name or t.rule.startswith((f"{name}[", f"{name}."))]
        return URGENCIES[max((t.urgency for t in own), key=list(Urgency).index, default=Urgency.NONE)]
    if what == "means":
        one = next(view for view in judged_findings(exam, catalogue)[1] if view.item.id == name)
        return one.judged.meaning.value if one.judged else "nothing"
    if what == "total":
        score = next(f.value for f in exam.findings if f.item == name)
        assert isinstance(score, Score)
        return str(score_total(score, catalogue.items[name]))
    assert what == "value"
    found = made(exam, name, catalogue)
    return str(found[0].finding.answer or found[0].finding.value) if found else "none"
