"""Short ways to write invented exams for tests of rules, tell lists and derived findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal

from invented_exams import BORN

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import Computed, Tell, computed_findings, tell_list
from adapter.exam import (
    At,
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Newborn,
    Quantities,
    Quantity,
    Score,
    Sex,
)

CATALOGUE = load_catalogue()


def said(item: str, answer: str, **more: object) -> Finding:
    """A finding answered with one answer."""
    return Finding(item=item, value=answer, **more)


def read(item: str, value: str, unit: str, **more: object) -> Finding:
    """A measured finding."""
    return Finding(item=item, value=Quantity(value=Decimal(value), unit=unit), **more)


def missed(item: str, reason: str = "crying", **more: object) -> Finding:
    """A finding that was not examined."""
    return Finding(item=item, not_examined=reason, **more)


def pressure(site: str, systolic: int, diastolic: int) -> Finding:
    """A blood pressure at one limb."""
    parts = {"systolic": Decimal(systolic), "diastolic": Decimal(diastolic)}
    return Finding(item="blood_pressure", site=site, value=Quantities(components=parts, unit="mmHg"))


def saturations(hand: int | None, foot: int | None, hours: str = "25", born: datetime = BORN) -> Finding:
    """One attempt of the oxygen saturation screen at an age in hours."""
    parts = {"preductal": hand, "postductal": foot}
    value = Quantities(components={k: Decimal(v) for k, v in parts.items() if v is not None}, unit="%")
    return Finding(item="cchd_saturations", value=value, observed_at=born + _hours(hours))


def came(item: str, hours: str) -> Finding:
    """A first urine or stool at an age in hours."""
    return Finding(item=item, value=At(time=BORN + _hours(hours)), method="history")


def scored(item: str, total: int | None = None, **signs: str) -> Finding:
    """A scored instrument by its total, its signs or both."""
    return Finding(item=item, value=Score(total=total, signs=signs))


def _hours(hours: str) -> timedelta:
    return timedelta(seconds=int(Decimal(hours) * 3600))


def scene(
    *findings: Finding,
    hours: str = "30",
    weeks: int | None = 39,
    days: int | None = 0,
    sex: Sex = Sex.MALE,
    kind: str = "unknown",
    born: datetime = BORN,
    exam_id: str = "inv-1",
) -> Exam:
    """An invented exam so many hours after birth; of no kind that expects anything, unless one is named."""
    details = ExamDetails(
        id=exam_id, kind=kind, started=born + _hours(hours), examiners=(Examiner(name="Example", role="nurse"),)
    )
    newborn = Newborn(
        identifiers=(Identifier(system="https://example.org/mrn", value="B-1"),),
        sex=sex,
        birth_time=born,
        gestation=None if weeks is None else Gestation(weeks=weeks, days=days),
    )
    return Exam(details=details, newborn=newborn, findings=findings)


def made(exam: Exam, item: str, catalogue: Catalogue = CATALOGUE, earlier: Sequence[Exam] = ()) -> list[Computed]:
    """The computed findings of one item."""
    return [one for one in computed_findings(exam, catalogue, earlier) if one.finding.item == item]


def rules_held(exam: Exam, catalogue: Catalogue = CATALOGUE, earlier: Sequence[Exam] = ()) -> set[str]:
    """The ids of the rules that hold."""
    return {one.maker.id for one in made(exam, "cross_finding", catalogue, earlier) if one.maker is not None}


def tells(exam: Exam, catalogue: Catalogue = CATALOGUE, earlier: Sequence[Exam] = ()) -> tuple[Tell, ...]:
    """The tell list with all that is computed."""
    return tell_list(exam, computed_findings(exam, catalogue, earlier), catalogue)


def with_settings(**settings: object) -> Catalogue:
    """The shipped catalogue with some settings of a site."""
    return replace(CATALOGUE, settings=CATALOGUE.settings.model_copy(update=settings))


def with_all_rules_on() -> Catalogue:
    """The shipped catalogue with every rule switched on."""
    rules = {name: rule.model_copy(update={"on": True}) for name, rule in CATALOGUE.rules.items()}
    return replace(CATALOGUE, rules=rules)
