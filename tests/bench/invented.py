"""Invented exams in any number, drawn by a seed: no two alike, most findings as expected, some not, some not seen."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from random import Random

from adapter.catalogue import Catalogue, Item, Meaning, Sides
from adapter.derive.every_use import uses_of
from adapter.exam import (
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Mother,
    Newborn,
    Quantity,
    Sex,
    Side,
)

_BORN = datetime(2026, 1, 1, tzinfo=timezone(timedelta(hours=1)))


def invented_exams(catalogue: Catalogue, count: int, seed: int = 1) -> Iterator[Exam]:
    """So many exams of all kinds; each of another newborn, at another time, with other numbers."""
    draw, kinds = Random(seed), list(catalogue.kinds)
    uses = {item.id: list(uses_of(item, catalogue)) for item in catalogue.items.values()}
    for n in range(count):
        sex = draw.choice((Sex.FEMALE, Sex.MALE))
        born = _BORN + timedelta(minutes=draw.randrange(500_000))
        kind = draw.choice(kinds)
        items = [item for item in catalogue.expected(kind) if item.sex in (None, sex.value)]
        findings = [found for item in items for found in _findings(item, uses[item.id], born, draw)]
        yield Exam(
            details=ExamDetails(
                id=f"bench-{seed}-{n}",
                kind=kind,
                started=born + timedelta(minutes=draw.randrange(30, 4000)),
                examiners=(_examiner(draw),),
            ),
            newborn=_newborn(n, sex, born, draw),
            findings=tuple(findings),
        )


def _findings(item: Item, uses: list[Finding], born: datetime, draw: Random) -> Iterator[Finding]:
    for side in (Side.LEFT, Side.RIGHT) if item.sides is Sides.EACH else (None,):
        of_side = [one for one in uses if one.side is side] or uses
        usual = [one for one in of_side if _is_usual(one, item)] or of_side[:1]
        found = draw.choice(of_side) if draw.random() < 0.1 else usual[0]
        if isinstance(found.value, Quantity) and item.limits is not None and found.value.unit == item.unit:
            low, high = (int(end * 10) for end in item.limits.plausible)
            digits = Decimal(draw.randint(low, high)).scaleb(-1)
            number = digits.quantize(Decimal(1)) if item.whole_numbers else digits
            found = found.model_copy(update={"value": Quantity(value=number, unit=found.value.unit)})
        if draw.random() < 0.03:
            found = found.model_copy(update={"note": f"Invented note {draw.random():.6f}"})
        if found.observed_at is not None or draw.random() < 0.05:
            found = found.model_copy(update={"observed_at": born + timedelta(minutes=draw.randrange(4000, 5000))})
        yield found


def _is_usual(finding: Finding, item: Item) -> bool:
    if finding.not_examined or finding.urgency or finding.state or finding.method or finding.observed_at:
        return False
    answer = item.answer(finding.answer) if finding.answer else None
    return answer is None or answer.meaning is Meaning.EXPECTED


def _newborn(n: int, sex: Sex, born: datetime, draw: Random) -> Newborn:
    return Newborn(
        identifiers=(Identifier(system="https://example.org/mrn", value=f"B-{n}"),),
        name=f"Example, Baby {n}",
        sex=sex,
        birth_time=born,
        gestation=Gestation(weeks=draw.randint(36, 41), days=draw.randint(0, 6)),
        mother=Mother(identifiers=(Identifier(system="https://example.org/mrn", value=f"M-{n}"),)),
    )


def _examiner(draw: Random) -> Examiner:
    number = draw.randrange(40)
    staff = Identifier(system="https://example.org/staff", value=f"E-{number}")
    return Examiner(name=f"Example Examiner {number}", identifier=staff, role="midwife")
