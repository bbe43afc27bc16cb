"""The blocks of the quality report: its tables, and how a count that may not be shown is told."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.document import Column, Row, Table, Tone, say
from adapter.write.quality.cells import Cell
from adapter.write.quality.checks import QualityChecks
from adapter.write.quality.compared import Change
from adapter.write.quality.drift import Month
from adapter.write.quality.table_one import ALL, Place


def shown_count(count: int | None, checks: QualityChecks) -> str:
    """A count, or that it is not shown."""
    return f"fewer than {checks.least}, or hidden" if count is None else str(count)


def shown_part(one: Cell | None, checks: QualityChecks) -> str:
    """A count with its share."""
    if one is None:
        return "-"
    return shown_count(one.count, checks) if one.share is None else f"{one.count} ({one.share:.1%})"


def label_of(item: str, catalogue: Catalogue) -> str:
    """What people call an item."""
    return catalogue.items[item].label if item in catalogue.items else item


def row_of(*texts: str, tone: Tone = Tone.PLAIN) -> Row:
    """A line of texts."""
    return Row(tuple(say(text) for text in texts), tone)


def table_of(first: str, others: Sequence[str], rows: Sequence[Row]) -> Table:
    """A table whose first column names its lines."""
    return Table(first, (Column(first, 3), *(Column(name, 2) for name in others)), tuple(rows))


def of_table_one(places: Sequence[Place], checks: QualityChecks) -> Table:
    """Who they are by place."""
    rows = [
        row_of(
            "All" if one.place == ALL else one.place,
            shown_count(one.newborns, checks),
            _share(one.female, one.sex_known, checks),
            _share(one.preterm, one.weeks_known, checks),
            _quartiles(one.weeks),
            _mean(one.grams),
            _quartiles(one.hours),
        )
        for one in places
    ]
    headings = ("Newborns", "Female", "Under 37 weeks", "Weeks", "Birth weight, g", "Hours of life at the first exam")
    return table_of("Place", headings, rows)


def _share(count: int | None, of: int, checks: QualityChecks) -> str:
    return shown_count(None, checks) if count is None else f"{count} ({count / of:.1%})" if of else "-"


def _quartiles(numbers: tuple[float, float, float] | None) -> str:
    return "-" if numbers is None else f"{numbers[1]:.1f} ({numbers[0]:.1f} to {numbers[2]:.1f})"


def _mean(numbers: tuple[float, float] | None) -> str:
    return "-" if numbers is None else f"{numbers[0]:.0f} (SD {numbers[1]:.0f})"


def of_drift(months: Sequence[Month], checks: QualityChecks, catalogue: Catalogue) -> Table:
    """The months that lie apart, and how many were looked at."""
    rows = [
        row_of(
            f"{label_of(one.item, catalogue)}, {one.month}",
            str(one.numbers),
            f"{one.mean:.2f}",
            f"{one.others:.2f}",
            tone=Tone.NOTED,
        )
        for one in months
        if one.told
    ]
    looked = sum(one.mean is not None for one in months)
    none = row_of(f"None of {looked} months of an item" if looked else "Too few numbers or months", "", "", "")
    return table_of("Item and month", ("Numbers", "Mean", "Median of the other months' means"), rows or [none])


def of_changes(changes: Sequence[Change], checks: QualityChecks, catalogue: Catalogue) -> Table:
    """What changed between two extracts, and why as far as the catalogue tells."""
    rows = [
        row_of(
            f"{label_of(one.item, catalogue)}: {one.measure.replace('_', ' ')}",
            _percent(one.then, checks),
            _percent(one.now, checks),
            one.why or "same item in both catalogues",
            tone=Tone.NOTED if one.told else Tone.PLAIN,
        )
        for one in changes
    ]
    return table_of("Item", ("Then", "Now", "What the catalogue changed"), rows or [row_of("None", "", "", "")])


def _percent(share: float | None, checks: QualityChecks) -> str:
    return f"none, or under {checks.least}" if share is None else f"{share:.1%}"
