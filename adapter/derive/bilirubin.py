"""How fast bilirubin rises between two measurements of one kind; its level is for the site's own chart to judge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal

from adapter.catalogue import Catalogue
from adapter.derive.age import made_at
from adapter.derive.made import Computed, Earlier, Withheld
from adapter.derive.makers import by_rise
from adapter.exam import Exam, Finding, Quantity


@dataclass(frozen=True, slots=True)
class Level:
    """One measurement: when, which finding of its exam, mg/dL; of an earlier exam, that finding (none: this exam)."""

    at: datetime
    index: int
    value: Decimal
    earlier: Earlier | None = None


MEASURED = ("transcutaneous_bilirubin", "serum_bilirubin")
_RISE = "bilirubin_rise"


def rises(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Iterator[Computed | Withheld]:
    """The rise between the last two measurements of one kind, of which the later at least was made in this exam."""
    if any(finding.item == _RISE for finding in exam.findings):
        return
    for kind in MEASURED:
        taken = [Level(at, index, value) for index, at, value in levels(exam, kind, catalogue)]
        if not taken:
            continue
        for one in earlier:
            taken += [
                Level(at, index, value, Earlier(one.details.id, index, one.findings[index]))
                for index, at, value in levels(one, kind, catalogue)
            ]
        taken.sort(key=lambda level: (level.at, level.earlier is None, level.index))
        if len(taken) == 1 or taken[-1].at == taken[-2].at:
            label = catalogue.words.listed((catalogue.items[_RISE].label, catalogue.items[kind].inline))
            yield Withheld(_RISE, label, catalogue.words.say("computed.one_only"))
        elif taken[-1].earlier is None:
            yield _risen(taken[-2], taken[-1], kind, catalogue)


def _risen(before: Level, last: Level, kind: str, catalogue: Catalogue) -> Computed:
    exact = rise(before.value, before.at, last.value, last.at)
    value = Quantity(value=exact.quantize(Decimal("0.01"), ROUND_HALF_UP), unit="mg/dL/h")
    note = catalogue.words.say("computed.compare", item=catalogue.items[kind].label)
    made = Finding(item=_RISE, value=value, observed_at=last.at, note=note)
    if before.earlier is not None:
        return Computed(made, (last.index,), exact, by_rise(catalogue), earlier=(before.earlier,))
    return Computed(made, (last.index, before.index), exact, by_rise(catalogue))


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
