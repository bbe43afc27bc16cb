"""A site's own table of lines by the hour of life: what it says (``hours/NAME.yaml``) and its rows (the ``.csv``).

Columns of the CSV: ``from_week`` and ``to_week`` (completed weeks of gestation, both inclusive; ``to_week`` empty:
and more), ``risk`` (a group of the table, where it has any), ``hour`` (of life), and a column for each line by its
id, in the table's unit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import groupby, pairwise
from typing import Literal

from pydantic import Field, model_validator

from adapter.catalogue.code import Frozen
from adapter.catalogue.model import Condition, Flag
from adapter.catalogue.rules import When
from adapter.catalogue.site_tables import Row, table_rows
from adapter.exam.model import Urgency
from adapter.exam.text import Key, Line

_FIXED = ("from_week", "to_week", "hour")


class HourLine(Frozen):
    """One line of a table: a value on it or over it is told so soon. ``source`` where the line has one of its own."""

    id: Key
    label: Line
    urgency: Urgency
    flag: Flag = Flag.HIGH
    source: str = ""


class RiskGroup(Frozen):
    """Infants who have lines of their own: those of whom ``when`` holds."""

    id: Key
    label: Line
    when: When | None = None


class HourRow(Frozen):
    """The lines (in the order of the table) of infants of these completed weeks and this group, at one hour."""

    from_week: int = Field(ge=20, le=45)
    to_week: int | None = Field(default=None, ge=20, le=45)
    risk: Key | None = None
    hour: Decimal = Field(ge=0)
    values: tuple[Decimal, ...]

    @property
    def block(self) -> tuple[int, int | None, str | None]:
        """Whose row it is: the rows of one block are one curve by the hour."""
        return self.from_week, self.to_week, self.risk

    def of_weeks(self, weeks: int) -> bool:
        """Whether it is of infants born in this completed week."""
        return self.from_week <= weeks and (self.to_week is None or weeks <= self.to_week)


class HourTable(Frozen):
    """Lines by hour of life for the numbers of ``items``, from a site's folder ``hours/``.

    ``when`` is asked of the finding, as a range asks (methods, sites), so that one table may be of a skin meter and
    another of blood. ``lines`` from the lowest to the highest. ``risks`` from the most careful group: the first whose
    ``when`` holds is the infant's; where none holds (it was not recorded), the first. ``between`` two hours a line is
    ``straight-line``, or ``step`` (that of the last hour reached). Outside its weeks and hours it says nothing.
    """

    id: Key
    label: Line
    version: str = Field(min_length=1)
    source: str = Field(min_length=1)
    licence: str = Field(min_length=1)
    items: tuple[Key, ...] = Field(min_length=1)
    unit: str
    when: Condition = Condition()
    between: Literal["straight-line", "step"]
    lines: tuple[HourLine, ...] = Field(min_length=1)
    risks: tuple[RiskGroup, ...] = ()
    caution: str = ""
    on: bool = True
    rows: tuple[HourRow, ...] = ()

    @model_validator(mode="after")
    def _named_once(self) -> HourTable:
        for named in (self.lines, self.risks):
            ids = [one.id for one in named]
            if len(set(ids)) != len(ids):
                raise ValueError("a line or a risk stands twice")
        if {line.id for line in self.lines} & {*_FIXED, "risk"}:
            raise ValueError(f"a line cannot be called {', '.join((*_FIXED, 'risk'))}")
        return self

    def blocks(self) -> Mapping[tuple[int, int | None, str | None], tuple[HourRow, ...]]:
        """The rows by whose they are, each in the order of the file."""
        found: dict[tuple[int, int | None, str | None], tuple[HourRow, ...]] = {}
        for block, rows in groupby(self.rows, key=lambda row: row.block):
            found[block] = (*found.get(block, ()), *rows)
        return found


def hour_rows(text: str, table: HourTable) -> tuple[HourRow, ...]:
    """The rows of the CSV of a table. Raises ValueError with the row and what is wrong with it."""
    lines = [line.id for line in table.lines]
    needed = [*_FIXED, *(["risk"] if table.risks else []), *lines]

    def reader(columns: Sequence[str]) -> Callable[[Row], HourRow]:
        if set(columns) != set(needed):
            raise ValueError(f"needs the columns {', '.join(needed)}; has {', '.join(columns)}")
        return lambda raw: _row(raw, lines)

    return table_rows(text, reader)


def _row(raw: Row, lines: Sequence[str]) -> HourRow:
    for name in ("from_week", "hour", *lines):
        if not raw[name]:
            raise ValueError(f"{name} is empty")
    values = tuple(Decimal(raw[name]) for name in lines)
    if not all(value.is_finite() and value > 0 for value in values):
        raise ValueError("a line is no number above 0")
    fields = {name: raw.get(name) or None for name in ("from_week", "to_week", "risk")}
    return HourRow.model_validate({**fields, "hour": Decimal(raw["hour"]), "values": values})


def faults_of(table: HourTable) -> Iterator[tuple[str, str, str]]:
    """What is wrong with the rows of a table: rule, what, and what would be right."""
    yield from _blocks(table)
    for one, other in pairwise(table.lines):
        if tuple(Urgency).index(other.urgency) < tuple(Urgency).index(one.urgency):
            what = f"the line {other.id} is over {one.id} and less urgent"
            yield "hours-lines", what, "lines from the lowest to the highest, none less urgent than the one under it"
    for line in table.lines:
        if line.urgency is Urgency.NONE:
            yield "hours-lines", f"the line {line.id} has the urgency none", "one that is told"


def _blocks(table: HourTable) -> Iterator[tuple[str, str, str]]:
    blocks, risks = table.blocks(), [risk.id for risk in table.risks]
    for unknown in sorted({row.risk for row in table.rows if row.risk} - {*risks}):
        yield "hours-rows", f"rows name the risk '{unknown}'", f"one of {', '.join(risks) or 'none'}"
    if risks and any(row.risk is None for row in table.rows):
        yield "hours-rows", "rows name no risk", f"one of {', '.join(risks)}"
    weeks = sorted({(low, high) for low, high, _ in blocks}, key=lambda span: span[0])
    for (low, high), (after, beyond) in pairwise(weeks):
        if high is None or after <= high:
            named = f"{_weeks(low, high)} and {_weeks(after, beyond)}"
            yield "hours-rows", f"the weeks {named} overlap", "each week of gestation in one block"
        elif after > high + 1:
            yield "hours-rows", f"no rows for the weeks between {high} and {after}", "the rows that are missing"
    for low, high in weeks:
        missing = [risk for risk in risks if (low, high, risk) not in blocks]
        if missing:
            yield "hours-rows", f"{_weeks(low, high)} weeks has no rows of {', '.join(missing)}", "the missing rows"
    hours = sorted({row.hour for row in table.rows})
    for block, rows in blocks.items():
        yield from _curve(table, block, rows, hours)
    yield from _most_careful(table, blocks, weeks)
    if not table.rows:
        yield "hours-rows", "has no rows", "the rows of the table"


def _curve(
    table: HourTable, block: tuple[int, int | None, str | None], rows: Sequence[HourRow], hours: Sequence[Decimal]
) -> Iterator[tuple[str, str, str]]:
    named = ", ".join([f"{_weeks(*block[:2])} weeks", *([block[2]] if block[2] else [])])
    own = [row.hour for row in rows]
    if any(after <= before for before, after in pairwise(own)):
        yield "hours-order", f"{named}: its hours do not ascend", "each hour once, in order"
    for hour in hours:
        if min(own) < hour < max(own) and hour not in own:
            yield "hours-rows", f"{named}: no row for hour {hour:f}, which others have", "the row that is missing"
    for row in rows:
        for (one, low), (other, high) in pairwise(zip(table.lines, row.values, strict=True)):
            if low >= high:
                what = f"{named}, hour {row.hour:f}: {other.id} ({high:f}) is not over {one.id} ({low:f})"
                yield "hours-lines", what, "lines that do not cross, from the lowest to the highest"


def _most_careful(
    table: HourTable,
    blocks: Mapping[tuple[int, int | None, str | None], Sequence[HourRow]],
    weeks: Sequence[tuple[int, int | None]],
) -> Iterator[tuple[str, str, str]]:
    """The first group counts where nothing is known: no other may have lower lines."""
    for low, high in weeks:
        for one in table.risks[1:]:
            first = {row.hour: row.values for row in blocks.get((low, high, table.risks[0].id), ())}
            for row in blocks.get((low, high, one.id), ()):
                if any(a > b for a, b in zip(first.get(row.hour, ()), row.values, strict=False)):
                    what = f"{_weeks(low, high)} weeks, hour {row.hour:f}: {one.id} has lower lines than the first"
                    yield "hours-risks", what, "the most careful group first: it counts where nothing is recorded"
    for one in table.risks[1:]:
        if one.when is None:
            yield "hours-risks", f"{one.id} says not when it holds", "when: what must be recorded for it"


def _weeks(low: int, high: int | None) -> str:
    return f"{low} and more" if high is None else (f"{low}" if low == high else f"{low} to {high}")
