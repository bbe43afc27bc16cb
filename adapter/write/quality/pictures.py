"""Pictures where people look: how often each last digit stands, and how much is missing from month to month."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from adapter.catalogue import Catalogue
from adapter.document import Beside, Curve, Plot
from adapter.write.quality.cells import Cell

_MEASURES = {"not_examined": "not examined", "not_recorded": "not recorded"}


def of_digits(rows: Sequence[dict[str, object]], catalogue: Catalogue) -> Beside:
    """A plot of each item whose digits may be shown, beside what equal shares would be."""
    return Beside(tuple(_digits(rows, catalogue)))


def _digits(rows: Sequence[dict[str, object]], catalogue: Catalogue) -> Iterator[Plot]:
    for row in rows:
        digits, total = row["digits"], row["numbers"]
        if not isinstance(digits, list) or not isinstance(total, int) or not any(digits):
            continue
        shown = {digit: _percent(count / total) for digit, count in enumerate(digits) if count is not None}
        equal = tuple((Decimal(digit), Decimal(10)) for digit in (0, 9))
        curve = Curve("", tuple((Decimal(digit), share) for digit, share in shown.items()))
        said = ", ".join(f"{digit}: {share} %" for digit, share in shown.items())
        hidden = "; of the other digits too few" if len(shown) < len(digits) else ""
        title = catalogue.items[str(row["item"])].label
        alt = f"{title}: how often each last digit stands, of {total} numbers: {said}{hidden}."
        yield Plot(title, "last digit", "%", (Curve("equal", equal, dots=False), curve), alt)


def of_months(cells: Sequence[Cell]) -> Beside:
    """How much was not examined and not recorded in each month that may be shown."""
    return Beside(tuple(_months(cells)))


def _months(cells: Sequence[Cell]) -> Iterator[Plot]:
    for measure, words in _MEASURES.items():
        chosen = [
            one
            for one in cells
            if (one.check, one.group, one.item, one.measure) == ("completeness", "month", "", measure)
            and one.share is not None
            and one.value[:4].isdigit()
        ]
        if len(chosen) < 2:
            continue
        first = _number(chosen[0].value)
        points = tuple((Decimal(_number(one.value) - first + 1), _percent(one.share or 0)) for one in chosen)
        said = ", ".join(f"{one.value}: {share} %" for one, (_, share) in zip(chosen, points, strict=True))
        alt = f"Places {words} by month: {said}."
        yield Plot(f"Places {words}", f"month, 1 is {chosen[0].value}", "%", (Curve(words, points),), alt)


def _number(month: str) -> int:
    return int(month[:4]) * 12 + int(month[5:7])


def _percent(share: float) -> Decimal:
    return Decimal(f"{share * 100:.1f}")
