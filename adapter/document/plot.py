"""Where the lines, dots and words of a small plot lie: worked out once, drawn alike in SVG and PDF.

Units are points; the origin is the lower left corner.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Literal

from adapter.document.model import Curve, Plot

WIDTH, HEIGHT = 248.0, 150.0
_LEFT, _RIGHT, _LOW, _TOP = 38.0, 34.0, 30.0, 22.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points; ``weight`` in points."""

    points: tuple[tuple[float, float], ...]
    weight: float = 0.5
    grey: bool = False


@dataclass(frozen=True, slots=True)
class Dot:
    """A filled dot."""

    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Word:
    """Text whose start, middle or end lies at a place."""

    x: float
    y: float
    text: str
    anchor: Literal["start", "middle", "end"] = "start"
    strong: bool = False


Mark = Stroke | Dot | Word


def marks(plot: Plot) -> Iterator[Mark]:
    """Everything to draw; references first, so that what was measured lies over them."""
    xs = _scale([x for curve in plot.curves for x, _ in curve.points], _LEFT, WIDTH - _RIGHT)
    ys = _scale([y for curve in plot.curves for _, y in curve.points], _LOW, HEIGHT - _TOP, Decimal("0.6"))
    yield Word(0, HEIGHT - 9, f"{plot.title} ({plot.y_label})", strong=True)
    for tick in xs.ticks:
        yield Stroke(((xs(tick), _LOW), (xs(tick), HEIGHT - _TOP)), 0.25, True)
        yield Word(xs(tick), _LOW - 10, plot.number(tick), "middle")
    for tick in ys.ticks:
        yield Stroke(((_LEFT, ys(tick)), (WIDTH - _RIGHT, ys(tick))), 0.25, True)
        yield Word(_LEFT - 4, ys(tick) - 2.5, plot.number(tick), "end")
    yield Word(WIDTH - _RIGHT, 4, plot.x_label, "end")
    for curve in sorted(plot.curves, key=lambda curve: curve.dots):
        yield from _curve(curve, xs, ys, plot)


def _curve(curve: Curve, xs: _Scale, ys: _Scale, plot: Plot) -> Iterator[Mark]:
    points = tuple((xs(x), ys(y)) for x, y in curve.points)
    if len(points) > 1:
        yield Stroke(points, 1.4 if curve.dots else 0.7, not curve.dots)
    if curve.dots:
        yield from (Dot(x, y) for x, y in points)
        for n, (x, y) in enumerate(points):
            valley = any(other > y for _, other in points[max(n - 1, 0) : n + 2])
            value, at = plot.number(curve.points[n][1]), y - 11 if valley else y + 5
            yield Word(x + 3, at, value, strong=True) if n == 0 else Word(x, at, value, "middle", strong=True)
    else:
        yield Word(points[-1][0] + 3, points[-1][1] - 2.5, curve.label)


@dataclass(frozen=True, slots=True)
class _Scale:
    low: Decimal
    high: Decimal
    start: float
    end: float
    ticks: tuple[Decimal, ...]

    def __call__(self, value: Decimal) -> float:
        return round(self.start + float((value - self.low) / (self.high - self.low)) * (self.end - self.start), 2)


def _scale(values: list[Decimal], start: float, end: float, pad: Decimal = Decimal(0)) -> _Scale:
    """An axis that holds all values, with some four round steps and ``pad`` of one free at each end."""
    low, high = min(values), max(values)
    step = _step((high - low) / 4 if high > low else max(abs(high) / 20, Decimal(1)))
    first = ((low - pad * step) / step).to_integral_value(ROUND_FLOOR) * step
    last = max(((high + pad * step) / step).to_integral_value(ROUND_CEILING) * step, first + step)
    count = int((last - first) / step)
    return _Scale(first, last, start, end, tuple(first + step * n for n in range(count + 1)))


def _step(rough: Decimal) -> Decimal:
    """The next 1, 2 or 5 of its power of ten."""
    power = Decimal(1).scaleb(rough.adjusted())
    wanted = next(step for step in (1, 2, 5, 10) if power * step >= rough)
    step = power * wanted
    return step.quantize(Decimal(1)) if step >= 1 else step
