"""How fast bilirubin rises between two measurements of one kind; its level is for the site's own chart to judge."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal

from adapter.catalogue import Catalogue
from adapter.derive.age import made_at
from adapter.derive.made import Computed, Withheld
from adapter.derive.makers import by_rise
from adapter.exam import Exam, Finding, Quantity

MEASURED = ("transcutaneous_bilirubin", "serum_bilirubin")
_RISE = "bilirubin_rise"


def rises(exam: Exam, catalogue: Catalogue) -> Iterator[Computed | Withheld]:
    """The rise between the last two measurements of one kind in this exam."""
    if any(finding.item == _RISE for finding in exam.findings):
        return
    for kind in MEASURED:
        taken = sorted(levels(exam, kind, catalogue), key=lambda level: (level[1], level[0]))
        if not taken:
            continue
        if len(taken) == 1 or taken[-1][1] == taken[-2][1]:
            why = "one measurement only; compare it with your site's chart"
            yield Withheld(_RISE, f"{catalogue.items[_RISE].label}, {catalogue.items[kind].label.lower()}", why)
            continue
        (first, start, low), (second, end, high) = taken[-2:]
        exact = rise(low, start, high, end)
        value = Quantity(value=exact.quantize(Decimal("0.01"), ROUND_HALF_UP), unit="mg/dL/h")
        note = f"{catalogue.items[kind].label}. Compare each value with your site's chart."
        made = Finding(item=_RISE, value=value, observed_at=end, note=note)
        yield Computed(made, (second, first), exact, by_rise(catalogue))


def levels(exam: Exam, kind: str, catalogue: Catalogue) -> Iterator[tuple[int, datetime, Decimal]]:
    """Index, time and mg/dL of each exact measurement of one kind."""
    item = catalogue.items[kind]
    for index, finding in enumerate(exam.findings):
        value = finding.value
        if finding.item == kind and isinstance(value, Quantity) and value.comparator is None:
            yield index, made_at(finding, item, exam), catalogue.amount(value, item)


def rise(low: Decimal, start: datetime, high: Decimal, end: datetime) -> Decimal:
    """mg/dL an hour between two instants; ``end`` after ``start``."""
    lived = end - start
    seconds = Decimal(lived.days * 86400 + lived.seconds) + Decimal(lived.microseconds) / 1_000_000
    return (high - low) * 3600 / seconds
