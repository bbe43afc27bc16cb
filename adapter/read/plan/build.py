"""The capture record of one exam from the rows that hold it."""

from __future__ import annotations

import re
from typing import Any

from adapter.read.csv_cells import fact_value
from adapter.read.places import CellPlaces
from adapter.read.plan.fill import RowFill, present
from adapter.read.plan.model import ExaminerPlan, FindingPlan, IdentifierPlan, MotherPlan, NewbornPlan, Plan
from adapter.read.plan.table import Row
from adapter.read.raw import Unreadable
from adapter.read.wording import shown

_TEXTS = ("side", "method", "site", "state", "urgency", "note")


def build(plan: Plan, rows: list[Row], whole: dict[str, str], places: CellPlaces) -> dict[str, Any]:
    """The record of the exam that these rows hold; ``whole`` holds the cells that count for all of them.

    A finding that the same line of the plan reads alike from several rows is one finding.
    """
    first = RowFill(plan, rows[0][0], whole, places)
    birth = first.moment(plan.newborn.birth_time, "/newborn/birth_time")
    first.birth = birth if isinstance(birth, str) else None
    record: dict[str, Any] = {
        "version": 1,
        "exam": _exam(plan, first),
        "newborn": _newborn(plan, first, birth),
        "findings": [],
    }
    findings = record["findings"]
    for wanted in plan.findings:
        seen: list[Any] = []
        for number, cells in rows:
            fill = RowFill(plan, number, cells, places, first.birth)
            finding = _finding(wanted, fill, f"/findings/{len(findings)}")
            if finding is not None and finding not in seen:
                seen.append(finding)
                places.put(f"/findings/{len(findings)}", number)
                findings.append(finding)
    return record


def _exam(plan: Plan, fill: RowFill) -> dict[str, Any]:
    exam = plan.exam
    texts = {
        name: fill.text(getattr(exam, name), f"/exam/{name}")
        for name in ("id", "kind", "status", "amends", "first", "reassigned_from", "reason", "place")
    }
    return present(
        {
            **texts,
            "started": fill.moment(exam.started, "/exam/started"),
            "ended": fill.moment(exam.ended, "/exam/ended"),
            "recorded": fill.moment(exam.recorded, "/exam/recorded"),
            "encounter": _identifier(exam.encounter, fill, "/exam/encounter") if exam.encounter else None,
            "examiners": [_examiner(e, fill, f"/exam/examiners/{n}") for n, e in enumerate(exam.examiners)],
        }
    )


def _newborn(plan: Plan, fill: RowFill, birth: Any) -> dict[str, Any]:
    newborn, order = plan.newborn, plan.newborn.birth_order
    at = "/newborn/birth_order"
    born = present({"order": fill.whole(order.order, at), "of": fill.whole(order.of, f"{at}/of")}) if order else {}
    mother = None
    if newborn.mother is not None:
        identifiers = _identifiers(newborn.mother.identifiers, fill, "/newborn/mother/identifiers")
        names = _names(newborn.mother, fill, "/newborn/mother")
        mother = present({"identifiers": identifiers, **names}) if identifiers or any(names.values()) else None
    return present(
        {
            "identifiers": _identifiers(newborn.identifiers, fill, "/newborn/identifiers"),
            **_names(newborn, fill, "/newborn"),
            "sex": fill.text(newborn.sex, "/newborn/sex"),
            "birth_time": birth,
            "birth_order": born or None,
            "gestation": fill.gestation(newborn.gestation, "/newborn/gestation"),
            "mother": mother,
        }
    )


def _identifiers(plans: tuple[IdentifierPlan, ...], fill: RowFill, at: str) -> list[Any]:
    found: list[Any] = []
    for plan in plans:
        identifier = _identifier(plan, fill, f"{at}/{len(found)}")
        found += [] if identifier is None else [identifier]
    return found


def _identifier(plan: IdentifierPlan, fill: RowFill, at: str) -> dict[str, Any] | None:
    value = fill.text(plan.value, at)
    if value is None:
        fill.places.forget(at)
        return None
    return {"system": plan.system, "value": value}


def _examiner(plan: ExaminerPlan, fill: RowFill, at: str) -> dict[str, Any]:
    identifier = _identifier(plan.identifier, fill, f"{at}/identifier") if plan.identifier else None
    return present({**_names(plan, fill, at), "role": fill.text(plan.role, f"{at}/role"), "identifier": identifier})


def _names(plan: NewbornPlan | MotherPlan | ExaminerPlan, fill: RowFill, at: str) -> dict[str, Any]:
    parts = ("name", "family", "given", "prefix")
    found: dict[str, Any] = {part: fill.text(getattr(plan, part), f"{at}/{part}") for part in parts}
    facts = {name: fill.text(source, f"{at}/facts/{name}") for name, source in plan.facts.items()}
    given = {name: fact_value(text) for name, text in facts.items() if text is not None}
    return {**found, "facts": given or None}


def _finding(plan: FindingPlan, fill: RowFill, at: str) -> dict[str, Any] | None:
    """The finding of a row, or None where the row has none."""
    if plan.when is not None and fill.cell(plan.when.column) not in plan.when.is_:
        return None
    answered = present(
        {
            "value": _value(plan, fill, f"{at}/value"),
            "text": fill.text(plan.text, f"{at}/text"),
            "not_examined": fill.text(plan.not_examined, f"{at}/not_examined"),
        }
    )
    if not answered:
        if plan.when_missing is None:
            return None
        answered = {"not_examined": plan.when_missing}
    texts = {name: fill.text(getattr(plan, name), f"{at}/{name}") for name in _TEXTS}
    others = {
        "counted_seconds": fill.number_text(plan.counted_seconds, f"{at}/counted_seconds"),
        "observed_at": fill.moment(plan.observed_at, f"{at}/observed_at"),
    }
    return {"item": plan.item, **answered, **present({**texts, **others})}


def _value(plan: FindingPlan, fill: RowFill, at: str) -> Any:
    if plan.parts is not None:
        return _parts(plan, fill, at)
    if plan.components:
        numbers = {n: fill.number_text(source, f"{at}/components/{n}") for n, source in plan.components.items()}
        return {"components": present(numbers), **_unit(plan, fill, at)} if present(numbers) else None
    if plan.total is not None or plan.signs:
        signs = present({n: fill.text(source, f"{at}/signs/{n}") for n, source in plan.signs.items()})
        total = fill.whole(plan.total, f"{at}/total")
        return present({"total": total, "signs": signs or None}) or None
    if plan.time is not None:
        moment = fill.moment(plan.time, at)
        return {"time": moment} if moment is not None else None
    if plan.unit_in_cell:
        return _with_unit(plan, fill, at)
    if plan.unit is not None:
        return _quantity(plan, fill, at)
    return fill.answers(plan.value, plan.split, at) if plan.split else fill.text(plan.value, at)


def _unit(plan: FindingPlan, fill: RowFill, at: str) -> dict[str, Any]:
    return present({"unit": fill.text(plan.unit, f"{at}/unit")})


def _quantity(plan: FindingPlan, fill: RowFill, at: str) -> Any:
    number = fill.number_text(plan.value, at)
    return {**_amount(number), **_unit(plan, fill, at)} if isinstance(number, str) else number


def _amount(number: str) -> dict[str, Any]:
    comparator = next((mark for mark in ("<=", ">=", "<", ">") if number.startswith(mark)), None)
    digits = number.removeprefix(comparator or "").strip()
    return {"value": digits, **present({"comparator": comparator})}


_NUMBER = r"((?:[<>]=?\s*)?-?\d[\d.,]*)"
_UNIT = r"([^\d\s.,]\S*)"
AMOUNT = re.compile(rf"{_NUMBER}\s*{_UNIT}(?:\s+{_NUMBER}\s*{_UNIT})?", re.ASCII)


def _with_unit(plan: FindingPlan, fill: RowFill, at: str) -> Any:
    """A number and its unit in one cell, such as 3.2 kg; or two parts of one amount, such as 7 lb 4 oz."""
    text = fill.text(plan.value, at)
    if not isinstance(text, str):
        return text
    match = AMOUNT.fullmatch(text)
    if match is None:
        remedy = "the number, then its unit, such as 3.2 kg"
        return Unreadable("no-unit-in-cell", f"{shown(text)} is not a number with its unit", remedy)
    number, unit, more, unit_of_more = match.groups()
    values = [fill.pointed(n) for n in (number, more) if n is not None]
    if bad := next((value for value in values if isinstance(value, Unreadable)), None):
        return bad
    amount = {**_amount(str(values[0])), "unit": unit}
    return amount if more is None else {**amount, "plus": {"value": values[1], "unit": unit_of_more}}


def _parts(plan: FindingPlan, fill: RowFill, at: str) -> Any:
    """Two columns of one amount: both, or neither."""
    assert plan.parts is not None
    first, second = plan.parts
    fill.places.put(at, fill.number, first.column)
    fill.places.put(f"{at}/plus", fill.number, second.column)
    one, two = fill.cell(first.column), fill.cell(second.column)
    if one is None and two is None:
        return None
    if one is None or two is None:
        empty = first.column if one is None else second.column
        return Unreadable(
            "wrong-parts", f"{shown(empty)} is missing, its other part is not", "both parts, 0 for none"
        )
    return {
        "value": fill.pointed(one),
        "unit": first.unit,
        "plus": {"value": fill.pointed(two), "unit": second.unit},
    }
