"""What is drawn, as SVG: plots, boxes to tick and lines to write on."""

from __future__ import annotations

from collections.abc import Iterable

from adapter.document.markup import Html, tag
from adapter.document.model import Plot
from adapter.document.plot import HEIGHT, WIDTH, Dot, Mark, Stroke, marks

_INK, _GREY = "#1d1d1b", "#8a8a8a"
_SVG = "http://www.w3.org/2000/svg"

BOX = tag(
    "svg",
    tag("rect", x="4", y="4", width="88", height="88", fill="none", stroke=_INK, stroke_width="7"),
    xmlns=_SVG,
    viewBox="0 0 96 96",
)
"""A box to tick."""


def line(length: float) -> Html:
    """A line to write on, its length in points."""
    drawn = tag("line", x1="0", y1="5.5", x2=f"{length:g}", y2="5.5", stroke=_INK, stroke_width="0.4")
    return tag("svg", drawn, xmlns=_SVG, viewBox=f"0 0 {length:g} 6")


def plotted(plot: Plot) -> Html:
    """A plot with its words, for a page in HTML."""
    return of_marks(marks(plot), role="img", aria_label=plot.alt)


def of_marks(of: Iterable[Mark], **attributes: str) -> Html:
    """Marks of a plot, whose y runs downwards in SVG."""
    return tag("svg", map(_mark, of), xmlns=_SVG, viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", **attributes)


def _mark(mark: Mark) -> Html:
    if isinstance(mark, Stroke):
        points = " ".join(f"{x:g},{HEIGHT - y:g}" for x, y in mark.points)
        colour = _GREY if mark.grey else _INK
        return tag("polyline", points=points, fill="none", stroke=colour, stroke_width=f"{mark.weight:g}")
    if isinstance(mark, Dot):
        return tag("circle", cx=f"{mark.x:g}", cy=f"{HEIGHT - mark.y:g}", r="2.6", fill=_INK)
    return tag(
        "text",
        mark.text,
        x=f"{mark.x:g}",
        y=f"{HEIGHT - mark.y:g}",
        font_size="8",
        font_weight="bold" if mark.strong else None,
        text_anchor=mark.anchor,
    )
