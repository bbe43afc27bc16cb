"""Where a measurement lies in a growth reference: exact where the table is, and nothing outside it.

With L, M and S (Cole and Green, Stat Med 1992;11:1305): ``z = ((x / M)^L - 1) / (L x S)``, and ``ln(x / M) / S``
where L is 0. All in decimal arithmetic of 28 digits. A table of centiles alone answers on which side of each of its
centiles a value lies, and of no other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Context, Decimal, localcontext

from adapter.catalogue import GrowthReference, GrowthRow, Measure
from adapter.derive.words import NotSaid
from adapter.exam import Sex

_PRECISION = Context(prec=28)

_Z_OF = {
    # Quantiles of the standard normal distribution to ten places (from its definition; any statistics library).
    Decimal(3): Decimal("-1.8807936082"),
    Decimal(5): Decimal("-1.6448536270"),
    Decimal(10): Decimal("-1.2815515655"),
    Decimal(50): Decimal(0),
    Decimal(90): Decimal("1.2815515655"),
    Decimal(95): Decimal("1.6448536270"),
    Decimal(97): Decimal("1.8807936082"),
}


class NoReference(NotSaid):
    """The reference says nothing of this infant, and why."""


@dataclass(frozen=True, slots=True)
class Position:
    """Where a value lies: its z-score where the table has L, M and S.

    ``below(centile, or_on_it)``: whether the value lies below that centile of the reference (or on it). Raises
    :class:`NoReference` where the table does not have the centile.
    """

    z: Decimal | None
    below: Callable[[Decimal, bool], bool]


def position(reference: GrowthReference, measure: Measure, sex: Sex, days: int, value: Decimal) -> Position:
    """Where a measurement of an infant of this sex and gestation (in completed days) lies.

    Raises :class:`NoReference` where the sex is neither female nor male, or the age outside the table.
    """
    if sex not in (Sex.FEMALE, Sex.MALE):
        raise NoReference("computed.by_sex")
    rows = {row.age: row for row in reference.rows if row.measure is measure and row.sex == sex.value}
    if not rows:
        raise NoReference(f"computed.no_{measure.value}", reference=reference.label)
    row = _row(reference, rows, days)
    if row.lms is not None:
        z = z_score(value, *row.lms)
        return Position(z, lambda centile, on: z < _z_of(centile) or (on and z == _z_of(centile)))
    known = dict(row.centiles)

    def below(centile: Decimal, on: bool) -> bool:
        if centile not in known:
            raise NoReference("computed.no_centile", reference=reference.label, centile=centile)
        return value < known[centile] or (on and value == known[centile])

    return Position(None, below)


def z_score(value: Decimal, power: Decimal, median: Decimal, spread: Decimal) -> Decimal:
    """Standard deviations from the median by L, M and S; ``value`` above 0 and in the unit of the median."""
    with localcontext(_PRECISION):
        if power == 0:
            return (value / median).ln() / spread
        return ((value / median) ** power - 1) / (power * spread)


def centile_curves(
    reference: GrowthReference, measure: Measure, sex: Sex
) -> dict[Decimal, tuple[tuple[int, Decimal], ...]]:
    """The reference's own centiles as curves: gestation in days and value, by centile.

    Of rows with L, M and S the 3rd, 10th, 50th, 90th and 97th.
    """
    rows = sorted((r for r in reference.rows if r.measure is measure and r.sex == sex.value), key=lambda r: r.age)
    curves: dict[Decimal, list[tuple[int, Decimal]]] = {}
    for row in rows:
        values = row.centiles or (
            tuple((Decimal(c), _value_at(_Z_OF[Decimal(c)], *row.lms)) for c in (3, 10, 50, 90, 97))
            if row.lms
            else ()
        )
        for centile, value in values:
            curves.setdefault(centile, []).append((row.age, value))
    return {centile: tuple(points) for centile, points in curves.items()}


def _value_at(z: Decimal, power: Decimal, median: Decimal, spread: Decimal) -> Decimal:
    """The inverse of :func:`z_score`."""
    with localcontext(_PRECISION):
        if power == 0:
            return median * (spread * z).exp()
        return median * (1 + power * spread * z) ** (1 / power)


def _z_of(centile: Decimal) -> Decimal:
    if centile not in _Z_OF:
        raise NoReference("computed.centile_not_of", centile=centile, known=", ".join(f"{c:f}" for c in _Z_OF))
    return _Z_OF[centile]


def _row(reference: GrowthReference, rows: dict[int, GrowthRow], days: int) -> GrowthRow:
    first, last = min(rows), max(rows)
    week, rest = divmod(days, 7)
    whole = rows.get(days - rest) if reference.ages == "weeks" else None
    exact = rows.get(days)
    age, ends = f"{week}+{rest}", [f"{end // 7}+{end % 7}" for end in (first, last)]
    outside = NoReference("computed.outside", age=age, first=ends[0], last=ends[1])
    if exact is not None:
        return exact
    if reference.ages == "weeks" and whole is not None and reference.between == "completed-week":
        return whole
    if not first <= days <= last:
        raise outside
    after = rows.get(days - rest + 7)
    if reference.ages == "weeks" and whole is not None and after is not None and reference.between == "straight-line":
        return _between(whole, after, rest)
    raise NoReference("computed.no_row", reference=reference.label, age=age)


def _between(low: GrowthRow, high: GrowthRow, rest: int) -> GrowthRow:
    """The row so many sevenths of the way between two weeks."""

    def mid(a: Decimal, b: Decimal) -> Decimal:
        return a + (b - a) * rest / 7

    lms = None
    if low.lms is not None and high.lms is not None:
        lms = (mid(low.lms[0], high.lms[0]), mid(low.lms[1], high.lms[1]), mid(low.lms[2], high.lms[2]))
    above = dict(high.centiles)
    centiles = tuple((c, mid(value, above[c])) for c, value in low.centiles if c in above)
    return low.model_copy(update={"age": low.age + rest, "lms": lms, "centiles": centiles})
