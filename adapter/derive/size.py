"""Gestation, weight change since birth, and size for gestation by the site's growth reference."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal

from adapter.catalogue import Bands, Catalogue, GrowthReference, Item, Measure
from adapter.catalogue.growth import MEASURED
from adapter.derive.age import age_hours, made_at
from adapter.derive.growth import NoReference, Position, position
from adapter.derive.made import Computed, Earlier, Withheld
from adapter.derive.makers import by_table
from adapter.exam import Exam, Finding, Quantity

_PLACED = (
    (Measure.WEIGHT, MEASURED[Measure.WEIGHT], "g", "birth_weight_z"),
    (Measure.LENGTH, MEASURED[Measure.LENGTH], "cm", "length_z"),
    (Measure.HEAD, MEASURED[Measure.HEAD], "cm", "head_circumference_z"),
)


def sizes(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Iterator[Computed | Withheld]:
    """All that can be said of age and size from this exam, that nobody captured."""
    captured = {finding.item for finding in exam.findings}
    if "gestational_age_at_birth" not in captured and "gestational_age_at_birth" in catalogue.items:
        yield from _gestation(exam)
    if "weight_change_percent" not in captured and "weight_change_percent" in catalogue.items:
        yield from _weight_change(exam, catalogue, earlier)
    yield from _for_gestation(exam, catalogue, captured)


def _gestation(exam: Exam) -> Iterator[Computed]:
    """Gestation at birth as an Observation, since FHIR's Patient has no element for it."""
    gestation = exam.newborn.gestation
    if gestation is None:
        return
    if gestation.days is None:
        value = Quantity(value=Decimal(gestation.weeks), unit="wk")
    else:
        value = Quantity(value=Decimal(gestation.weeks * 7 + gestation.days), unit="d")
    yield Computed(Finding(item="gestational_age_at_birth", value=value, method=gestation.method))


def _weight_change(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam]) -> Iterator[Computed | Withheld]:
    """``100 x (weight - birth weight) / birth weight``; negative is a loss. Reported to one decimal place.

    The birth weight is that of this exam, else of the last earlier exam that has one; where none has, the first
    weight that an earlier exam took in the first 24 hours: the birth weight is the first weight obtained (ICD-10,
    definitions). A loss from it is never more than that since birth.
    """
    birth = measured(exam, "birth_weight", "g", catalogue)
    before: tuple[Earlier, ...] = ()
    recorded = any(finding.item == "birth_weight" for finding in exam.findings)
    for one in () if birth or recorded else reversed(earlier):
        if (of_earlier := measured(one, "birth_weight", "g", catalogue)) is not None:
            birth = of_earlier
            before = (Earlier(one.details.id, birth[0], one.findings[birth[0]]),)
            break
    if birth is None and not recorded and (first := _first_weight(exam, earlier, catalogue)) is not None:
        before, birth = (first[0],), (first[0].number, first[1])
    now = latest(exam, "weight", "g", catalogue)
    if birth is None or now is None:
        if now is not None:
            label = catalogue.items["weight_change_percent"].label
            yield Withheld("weight_change_percent", label, catalogue.words.say("computed.no_birth_weight"))
        return
    exact = change_percent(birth[1], now[1])
    value = Quantity(value=exact.quantize(Decimal("0.1"), ROUND_HALF_UP), unit="%")
    own = (now[0],) if before else (now[0], birth[0])
    yield Computed(Finding(item="weight_change_percent", value=value), own, exact, earlier=before)


def _first_weight(exam: Exam, earlier: Sequence[Exam], catalogue: Catalogue) -> tuple[Earlier, Decimal] | None:
    item, found = catalogue.items["weight"], list[tuple[datetime, Earlier, Decimal]]()
    for one in earlier:
        for index, finding in enumerate(one.findings):
            if finding.item == item.id and isinstance(finding.value, Quantity) and finding.value.comparator is None:
                known, value = Earlier(one.details.id, index, finding), catalogue.units.convert(finding.value, "g")
                found.append((made_at(finding, item, one), known, value))
    if not found:
        return None
    at, first, grams = min(found, key=lambda one: one[0])
    return (first, grams) if grams > 0 and age_hours(exam, at) <= _FIRST_WEIGHT else None


_FIRST_WEIGHT = Decimal(24)
"""Until so many hours of life a first weight stands for the birth weight."""


def change_percent(birth: Decimal, now: Decimal) -> Decimal:
    """The change of weight since birth in percent, unrounded; both in grams, ``birth`` above 0."""
    return 100 * (now - birth) / birth


def measured(exam: Exam, item: str, unit: str, catalogue: Catalogue) -> tuple[int, Decimal] | None:
    """Index and value of the one exact measurement of an item; None if there is none, or several."""
    found = [
        (index, catalogue.units.convert(finding.value, unit))
        for index, finding in enumerate(exam.findings)
        if finding.item == item and isinstance(finding.value, Quantity) and finding.value.comparator is None
    ]
    return found[0] if len(found) == 1 and found[0][1] > 0 else None


def latest(exam: Exam, item: str, unit: str, catalogue: Catalogue) -> tuple[int, Decimal] | None:
    """Index and value of the last exact measurement of an item that may be repeated; None if
    there is none, or the last is not one.
    """
    known = catalogue.items[item]
    found = [
        (made_at(finding, known, exam), index, catalogue.units.convert(finding.value, unit))
        for index, finding in enumerate(exam.findings)
        if finding.item == item and isinstance(finding.value, Quantity) and finding.value.comparator is None
    ]
    last = [one for one in found if one[0] == max(found)[0]]
    return (last[0][1], last[0][2]) if len(last) == 1 and last[0][2] > 0 else None


def _for_gestation(exam: Exam, catalogue: Catalogue, captured: set[str]) -> Iterator[Computed | Withheld]:
    reference, bands = catalogue.growth_reference, catalogue.settings.size_bands
    class_label = catalogue.items["size_for_gestation"].label
    if reference is None:
        if "birth_weight" in captured and "size_for_gestation" not in captured:
            yield Withheld("size_for_gestation", class_label, catalogue.words.say("computed.none_chosen"))
        return
    maker = by_table(reference)
    for measure, item_id, unit, z_item in _PLACED:
        one = measured(exam, item_id, unit, catalogue)
        if one is None:
            continue
        index, value = one
        try:
            days = _gestation_days(exam, reference)
            _measured_at_birth(exam.findings[index], catalogue.items[item_id], exam, reference)
            place = position(reference, measure, exam.newborn.sex, days, value)
        except NoReference as why:
            yield Withheld(z_item, catalogue.items[z_item].label, _no_reference(why, catalogue))
            continue
        if place.z is not None and z_item not in captured:
            shown = Quantity(value=place.z.quantize(Decimal("0.01"), ROUND_HALF_UP), unit="{Zscore}")
            yield Computed(Finding(item=z_item, value=shown), (index,), place.z, maker)
        if measure is Measure.WEIGHT and "size_for_gestation" not in captured:
            try:
                answer = _size_class(bands, place)
            except NoReference as why:
                yield Withheld("size_for_gestation", class_label, _no_reference(why, catalogue))
            else:
                yield Computed(Finding(item="size_for_gestation", value=answer), (index,), None, maker)


def _no_reference(why: NoReference, catalogue: Catalogue) -> str:
    return catalogue.words.say("computed.no_reference", why=why.said(catalogue.words))


def _size_class(bands: Bands, place: Position) -> str:
    """Small is under the lower centile, large over the upper one; on the line is neither."""
    if place.below(bands.small, False):
        return "severely_small" if place.below(bands.severe, False) else "small"
    return "appropriate" if place.below(bands.large, True) else "large"


def _gestation_days(exam: Exam, reference: GrowthReference) -> int:
    gestation = exam.newborn.gestation
    if gestation is None:
        raise NoReference("computed.no_gestation")
    if gestation.days is None and not (reference.ages == "weeks" and reference.between == "completed-week"):
        raise NoReference("computed.no_gestation_days")
    return gestation.weeks * 7 + (gestation.days or 0)


def _measured_at_birth(finding: Finding, item: Item, exam: Exam, reference: GrowthReference) -> None:
    hours = age_hours(exam, made_at(finding, item, exam))
    if hours > reference.within_hours:
        raise NoReference("computed.after_birth", hours=reference.within_hours)
