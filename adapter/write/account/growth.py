"""Small plots of growth: weight, length and head over the exams; size at birth on the site's own reference."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

from adapter.catalogue import GrowthReference, Measure
from adapter.derive import gestation_weeks
from adapter.derive.growth import centile_curves
from adapter.derive.size import measured
from adapter.derive.view import ExamView
from adapter.document import Beside, Block, Curve, Plot

_UNITS = {"weight": "g", "length": "cm", "head_circumference": "cm"}
_Placed = tuple[Measure, str, str, tuple[str, ...]]
_AT_BIRTH: tuple[_Placed, ...] = (
    (Measure.WEIGHT, "birth_weight", "g", ("birth_weight_z", "size_for_gestation")),
    (Measure.LENGTH, "length", "cm", ("length_z",)),
    (Measure.HEAD, "head_circumference", "cm", ("head_circumference_z",)),
)


def growth_plots(view: ExamView) -> list[Block]:
    """The plots there are points for; centiles only where the site has a reference and it speaks of this infant."""
    plots = [_over_time(name, points, view) for name, points in view.growth.items() if len(points) > 1]
    reference = view.catalogue.growth_reference
    if reference is not None:
        plots += [plot for one in _AT_BIRTH if (plot := _at_birth(one, reference, view)) is not None]
    return [Beside(tuple(plots))] if plots else []


def _over_time(name: str, points: tuple[tuple[Decimal, Decimal], ...], view: ExamView) -> Plot:
    label, unit, words = view.catalogue.items[name].label, _UNITS[name], view.catalogue.words
    days = tuple(((hours / 24).quantize(Decimal("0.1"), ROUND_HALF_UP), value) for hours, value in points)
    said = words.clauses(
        words.say("plot.point", value=value, unit=unit, hours=hours.quantize(Decimal("0.1")))
        for hours, value in points
    )
    alt = words.say("sentence", words=words.say("is", what=label, value=said))
    return Plot(label, words.say("plot.days"), unit, (Curve(label, days),), alt, words.decimal)


def _at_birth(one: _Placed, reference: GrowthReference, view: ExamView) -> Plot | None:
    """Where a measurement at birth lies among the reference's centiles, if the reference placed it."""
    measure, item_id, unit, placed_by = one
    found = measured(view.exam, item_id, unit, view.catalogue)
    weeks = gestation_weeks(view.exam)
    placed = any(made.computed is not None and made.item.id in placed_by for made in view.findings)
    if found is None or weeks is None or not placed:
        return None
    label, words = view.catalogue.items[item_id].label, view.catalogue.words
    at = weeks.quantize(Decimal("0.1"), ROUND_HALF_UP)
    curves = [
        Curve(words.number(centile), tuple((Decimal(days) / 7, value) for days, value in points), dots=False)
        for centile, points in centile_curves(reference, measure, view.exam.newborn.sex).items()
    ]
    alt = words.say(
        "plot.centiles",
        item=label,
        value=found[1],
        unit=unit,
        weeks=at,
        centiles=", ".join(curve.label for curve in curves),
        reference=reference.label,
        version=reference.version,
    )
    own = Curve(label, ((at, found[1]),))
    return Plot(
        words.say("plot.for_gestation", item=label), words.say("plot.weeks"), unit, (*curves, own), alt, words.decimal
    )
