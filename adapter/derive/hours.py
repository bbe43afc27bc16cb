"""Bilirubin against a site's own lines by the hour of life: which one a value is on or over, or that it is under all.

The hour is that of the sample (its own time), the week the completed one of gestation at birth. A value on a line
counts as over it (common practice: "at or above the threshold"). Nothing is said beyond a table's hours and weeks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from adapter.catalogue import Catalogue, Flag, HourLine, HourRow, HourTable, Item, Meaning
from adapter.catalogue.units import rounded
from adapter.derive.age import made_at
from adapter.derive.compiled import compiled
from adapter.derive.machine import Condition, Test, condition, every
from adapter.derive.made import Computed, Earlier, Withheld
from adapter.derive.makers import by_table
from adapter.derive.unjudged import bare_scene, of_earlier
from adapter.derive.words import NotSaid, in_words
from adapter.exam import Exam, Finding, Quantity, Urgency

LINE = "bilirubin_line"
"""The item of what the tables say."""
_HOUR = timedelta(hours=1) // timedelta(microseconds=1)


class NoLine(NotSaid):
    """The table says nothing of this value, and why."""


@dataclass(frozen=True, slots=True)
class _Table:
    """A table with its conditions as functions; ``curves`` by completed week and group, in the order of the file."""

    table: HourTable
    concerns: Test | None
    risks: tuple[Condition | None, ...]
    curves: tuple[tuple[HourRow, ...], ...]


@lru_cache(maxsize=16)
def _tables(catalogue: Catalogue) -> tuple[_Table, ...]:
    return tuple(
        _Table(
            table=table,
            concerns=every(row["tests"], catalogue),
            risks=tuple(condition(steps, catalogue) if steps else None for steps in row["risks"]),
            curves=tuple(table.blocks().values()),
        )
        for row in compiled(catalogue).hours
        for table in [catalogue.hours[row["id"]]]
    )


def lines_by_hour(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Iterator[Computed | Withheld]:
    """Of every number that one of the site's tables is of: where it lies to the lines, or why the tables do not say.

    What was recorded in ``earlier`` exams of the newborn counts for the group that it belongs to.
    """
    tables, words = _tables(catalogue), catalogue.words
    for index, finding in enumerate(exam.findings if tables else ()):
        item, reasons = catalogue.items[finding.item], []
        for one in tables:
            concerned = item.id in one.table.items and isinstance(finding.value, Quantity)
            if not concerned or not (one.concerns is None or one.concerns(finding, item, exam, None, None)):
                continue
            try:
                yield _placed(one, index, exam, catalogue, earlier)
                break
            except NoLine as why:
                table = by_table(one.table).said(words)
                reasons.append(words.say("hours.no_line", table=table, why=why.said(words)))
        else:
            if reasons:
                label = words.listed((catalogue.items[LINE].label, item.inline))
                yield Withheld(LINE, label, words.clauses(reasons), index)


def _placed(one: _Table, index: int, exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam]) -> Computed:
    """The line that a value is on or over, or that it is under all. Raises :class:`NoLine`."""
    table, finding, words = one.table, exam.findings[index], catalogue.words
    item = catalogue.items[finding.item]
    at = made_at(finding, item, exam)
    hour = Fraction((at - exam.newborn.birth_time) // timedelta(microseconds=1), _HOUR)
    risk, group, before = _group(one, exam, catalogue, earlier)
    rows = _curve(one, exam, risk)
    values = dict(zip((line.id for line in table.lines), _at(rows, hour, table), strict=True))
    amount, shown = _amount(finding, item, table, catalogue), _Shown(table, catalogue)
    over = _over(amount, finding, table, values)
    where = words.clauses([shown.weeks(rows[0]), *group, table.caution])
    beside = over or table.lines[0]
    text = words.say(
        "hours.under" if over is None else "hours.over",
        measured=shown.converted(in_words(finding, item, catalogue), amount, finding, catalogue),
        line=beside.label,
        number=shown.number(values[beside.id]),
        hour=shown.hour(hour),
    )
    made = Finding(item=LINE, text=text, observed_at=at)
    reason = words.say("hours.by", table=by_table(table).said(words), where=where)
    if over is None:
        maker = by_table(table)
        return Computed(
            made, (index,), None, maker, Urgency.NONE, Meaning.EXPECTED, Flag.NORMAL, reason, earlier=before
        )
    maker = by_table(table, over.source)
    return Computed(made, (index,), None, maker, over.urgency, Meaning.ABNORMAL, over.flag, reason, earlier=before)


def _group(
    one: _Table, exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam]
) -> tuple[str | None, tuple[str, ...], tuple[Earlier, ...]]:
    """The group of the infant, what is said of it, and what earlier exams say of it: the first group where nothing
    recorded says which."""
    risks = one.table.risks
    if not risks:
        return None, (), ()
    scene = bare_scene(exam, catalogue, earlier)
    for risk, holds in zip(risks, one.risks, strict=True):
        if holds is not None and (held := holds(scene)) is not None:
            before, own = of_earlier(earlier, catalogue), len(exam.findings)
            return risk.id, (risk.label,), tuple(before[index - own] for index in sorted(held) if index >= own)
    unknown = catalogue.words.say("hours.group_unknown", group=risks[0].label)
    return risks[0].id, (unknown,), ()


def _curve(one: _Table, exam: Exam, risk: str | None) -> tuple[HourRow, ...]:
    """The rows of the infant's week and group. Raises :class:`NoLine`."""
    gestation = exam.newborn.gestation
    if gestation is None:
        raise NoLine("computed.no_gestation")
    for rows in one.curves:
        if rows[0].of_weeks(gestation.weeks) and rows[0].risk == risk:
            return rows
    first = min(row.from_week for row in one.table.rows)
    ends = [row.to_week for row in one.table.rows]
    last = max(end or 0 for end in ends)
    if None in ends:
        raise NoLine("hours.weeks_outside_open", weeks=gestation.weeks, first=first)
    raise NoLine("hours.weeks_outside", weeks=gestation.weeks, first=first, last=last)


def _at(rows: Sequence[HourRow], hour: Fraction, table: HourTable) -> list[Fraction]:
    """The lines at an hour of life. Raises :class:`NoLine` outside the rows."""
    first, last = rows[0].hour, rows[-1].hour
    if not first <= hour <= last:
        raise NoLine("hours.hour_outside", hour=rounded(hour, 1), first=first, last=last)
    for low, high in pairwise(rows):
        if low.hour <= hour < high.hour:
            part = Fraction(0)
            if table.between == "straight-line":
                part = (hour - Fraction(low.hour)) / (Fraction(high.hour) - Fraction(low.hour))
            ends = zip(low.values, high.values, strict=True)
            return [Fraction(a) + (Fraction(b) - Fraction(a)) * part for a, b in ends]
    return [Fraction(value) for value in rows[-1].values]


def _amount(finding: Finding, item: Item, table: HourTable, catalogue: Catalogue) -> Decimal:
    """The captured number in the table's unit."""
    value, units = finding.value, catalogue.units
    assert isinstance(value, Quantity)
    unit = units.find(value.unit)
    if item.molar_mass is None or (unit is not None and unit.dimension == units[table.unit].dimension):
        return units.convert(value, table.unit)
    return units.between_mass_and_substance(value, table.unit, item.molar_mass)


def _over(amount: Decimal, finding: Finding, table: HourTable, values: dict[str, Fraction]) -> HourLine | None:
    """The highest line that the value is surely on or over; None under all. Raises :class:`NoLine` where ``<9`` or
    ``>20`` may lie on either side of the lowest."""
    value = finding.value
    comparator = value.comparator if isinstance(value, Quantity) else None
    reached = [line for line in table.lines if values[line.id] <= amount]
    if comparator is None:
        return reached[-1] if reached else None
    below, lowest = comparator.value.startswith("<"), values[table.lines[0].id]
    if below and (amount < lowest or (amount == lowest and comparator.value == "<")):
        return None
    if not below and reached:
        return reached[-1]
    raise NoLine("hours.open_end")


class _Shown:
    """Numbers of a table as people read them."""

    def __init__(self, table: HourTable, catalogue: Catalogue) -> None:
        unit = catalogue.units[table.unit]
        self._table, self._places, self._unit = table, unit.places, catalogue.units.shown(table.unit)
        self._words = catalogue.words

    def number(self, value: Fraction) -> str:
        return f"{self._words.number(rounded(value, self._places))}{self._unit}"

    def converted(self, measured: str, amount: Decimal, finding: Finding, catalogue: Catalogue) -> str:
        """What was measured, and the number in the table's unit where that is another."""
        value = finding.value
        known = catalogue.units.find(value.unit) if isinstance(value, Quantity) else None
        same = known is None or known.ucum == self._table.unit
        return measured if same else self._words.say("beside", words=measured, of=self.number(Fraction(amount)))

    def hour(self, hour: Fraction) -> str:
        return self._words.number(rounded(hour, 1).quantize(Decimal("0.1")))

    def weeks(self, row: HourRow) -> str:
        if row.to_week is None:
            return self._words.say("hours.born_later", first=row.from_week)
        if row.to_week == row.from_week:
            return self._words.say("hours.born", first=row.from_week)
        return self._words.say("hours.born_to", first=row.from_week, last=row.to_week)
