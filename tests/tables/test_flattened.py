"""Every cell of what was captured, against a flattening of our own that knows the guide's rules alone, over many
invented exams: any items, sides, places, units; some measured or answered again, later or on another side."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from random import Random
from typing import Any

import pytest
from flattened import Record
from hypothesis import given
from hypothesis import strategies as st
from table_rows import row, rows

from adapter.catalogue import Sides, load_catalogue
from adapter.exam import Exam, Finding, Side, Status
from adapter.read import to_json
from adapter.write.tables import TABLES
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
JUDGED = ("_meaning",)
COLUMNS = {column.name: column.item for column in TABLES["exams"].columns(CATALOGUE) if column.item}


def again(exam: Exam, random: Random) -> Exam:
    """Some findings once more: at another moment, with another answer or without a value, on another side."""
    more = []
    for one in exam.findings:
        if random.random() < 0.5:
            continue
        item = CATALOGUE.items[one.item]
        moment = (one.observed_at or exam.details.started) + timedelta(minutes=random.choice((-7, 0, 0, 5)))
        changed: dict[str, Any] = {"observed_at": max(moment, exam.newborn.birth_time)}
        if item.sides in (Sides.OPTIONAL, Sides.EITHER) and not any(CATALOGUE.sites[s].side for s in item.sites):
            changed["side"] = random.choice((None, Side.LEFT, Side.RIGHT))
        if random.random() < 0.2:
            changed |= random.choice(({"value": None, "text": "in words"}, {"value": None, "not_examined": "crying"}))
            changed = {"text": None, "not_examined": None, **changed}
        elif item.answers and one.answer:
            changed["value"] = random.choice(item.answers).id
        more.append(one.model_copy(update=changed))
    everything = [*exam.findings, *more]
    random.shuffle(everything)
    return Exam.model_validate(exam.model_copy(update={"findings": tuple(everything)}))


def plain(cell: Any) -> Any:
    return getattr(cell, "value", cell)


def compare(exam: Exam) -> Counter[str]:
    """The exam both ways; how many cells were compared, and in how many something stood."""
    record = Record(to_json(exam), CATALOGUE)
    long = [one for one in rows("findings", [exam], CATALOGUE) if one["origin"] == "captured"]
    wanted = record.long()
    assert len(long) == len(wanted)
    for there, here in zip(long, wanted, strict=True):
        assert {name: plain(there[name]) for name in here} == here
    made, ours = record.wide(), row("exams", exam, CATALOGUE)
    computed = {one["item"] for one in rows("findings", [exam], CATALOGUE) if one["origin"] == "computed"}
    computed -= {one["item"] for one in record.found}
    repeated = {name for name in (ours["repeated"] or "").split(";") if name and not name.endswith(JUDGED)}
    assert made["repeated"] <= repeated
    seen = Counter[str]()
    for name, item in COLUMNS.items():
        if name.endswith(JUDGED) or CATALOGUE.items[item].computed:
            continue
        if item in computed:
            assert not name.endswith("_status") or ours[name] == "computed"
            continue
        assert plain(ours[name]) == made.get(name), (name, exam.details.id)
        seen["cells"] += 1
        seen["filled"] += made.get(name) is not None and not name.endswith("_status")
        seen["displaced"] += name in made["repeated"]
    return seen


@given(exams(CATALOGUE, min_items=20, max_items=60), st.randoms(use_true_random=False))
@drawn(24)
def test_any_exam_is_flattened_as_the_guide_says(exam: Exam, random: Random) -> None:
    if exam.details.status is not Status.ENTERED_IN_ERROR:
        compare(exam)
        compare(again(exam, random))


def test_every_item_answer_and_side_is_flattened_as_the_guide_says(every: list[Exam]) -> None:
    random, seen = Random(19), Counter[str]()
    for exam in every[::3]:
        if exam.details.status is not Status.ENTERED_IN_ERROR:
            seen += compare(again(exam, random))
    assert seen["cells"] > 30_000
    assert seen["filled"] > 1_000
    assert seen["displaced"] > 100


def test_it_would_see_a_difference(every: list[Exam], monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the rule that one reading stands."""
    from adapter.write.tables import readings

    first = every[0]
    details = first.details.model_copy(update={"status": Status.FINAL, "amends": None, "first": None, "reason": None})
    rate = {"item": "respiratory_rate", "value": {"value": 40, "unit": "/min"}}
    twice = [
        Finding.model_validate(rate | {"observed_at": details.started + timedelta(minutes=minutes)})
        for minutes in (3, 1)
    ]
    exam = Exam(details=details, newborn=first.newborn, findings=tuple(twice))
    compare(exam)
    monkeypatch.setattr(readings.TableReading, "yields", lambda mine, later, name: False)
    with pytest.raises(AssertionError):
        compare(exam)
