"""Findings the software makes from what was captured; a captured value is never replaced."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Finding, Quantity, Score


@dataclass(frozen=True, slots=True)
class Computed:
    """A computed finding, the findings it rests on (by index in ``exam.findings``), and its unrounded value."""

    finding: Finding
    derived_from: tuple[int, ...] = ()
    exact: Decimal | None = None


def computed_findings(exam: Exam, catalogue: Catalogue) -> tuple[Computed, ...]:
    """All findings that can be computed from this exam and that nobody captured."""
    captured = {finding.item for finding in exam.findings}
    makers = {"gestational_age_at_birth": _gestation, "weight_change_percent": _weight_change}
    made = (
        make(exam, catalogue) for item, make in makers.items() if item in catalogue.items and item not in captured
    )
    return tuple(one for one in made if one is not None)


def _gestation(exam: Exam, catalogue: Catalogue) -> Computed | None:
    """Gestation at birth as an Observation, since FHIR's Patient has no element for it."""
    gestation = exam.newborn.gestation
    if gestation is None:
        return None
    if gestation.days is None:
        value = Quantity(value=Decimal(gestation.weeks), unit="wk")
    else:
        value = Quantity(value=Decimal(gestation.weeks * 7 + gestation.days), unit="d")
    return Computed(Finding(item="gestational_age_at_birth", value=value, method=gestation.method))


def _weight_change(exam: Exam, catalogue: Catalogue) -> Computed | None:
    """``100 x (weight - birth weight) / birth weight``; negative is a loss. Reported to one decimal place."""
    birth, now = _grams(exam, "birth_weight", catalogue), _grams(exam, "weight", catalogue)
    if birth is None or now is None:
        return None
    exact = 100 * (now[1] - birth[1]) / birth[1]
    value = Quantity(value=exact.quantize(Decimal("0.1"), ROUND_HALF_UP), unit="%")
    return Computed(Finding(item="weight_change_percent", value=value), (now[0], birth[0]), exact)


def _grams(exam: Exam, item: str, catalogue: Catalogue) -> tuple[int, Decimal] | None:
    """Index and grams of the one exact weight captured for an item; None if there is none, or several."""
    found = [
        (index, catalogue.units.convert(finding.value, "g"))
        for index, finding in enumerate(exam.findings)
        if finding.item == item and isinstance(finding.value, Quantity) and finding.value.comparator is None
    ]
    return found[0] if len(found) == 1 and found[0][1] > 0 else None


def score_total(score: Score, points: dict[str, dict[str, int]]) -> int | None:
    """The total of a scored instrument: as captured, else the sum where every sign was given, else None.

    ``points`` maps sign id to answer id to points.
    """
    if score.total is not None:
        return score.total
    if set(score.signs) != set(points):
        return None
    return sum(points[sign][answer] for sign, answer in score.signs.items())
