"""The table of a growth reference: a CSV file that a site supplies.

Columns: ``measure`` (weight, length, head), ``sex`` (female, male), ``age`` (gestation in days, or in completed
weeks), and either ``l``, ``m``, ``s`` or centiles as ``c3``, ``c10``, ``c50``, ``c90``, ``c97`` (any at all, with a
point where they are not whole: ``c0.5``). Weight in grams, length and head in centimetres.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from itertools import pairwise

from adapter.catalogue.site_tables import Row, table_rows
from adapter.catalogue.tables import GrowthRow, Measure

MEASURED = {Measure.WEIGHT: "birth_weight", Measure.LENGTH: "length", Measure.HEAD: "head_circumference"}
"""The item that is held against each measure."""
_CENTILE = re.compile(r"c(\d{1,2}(?:\.\d+)?)")
_FIXED = ("measure", "sex", "age")
_LMS = ("l", "m", "s")


def growth_rows(text: str, ages: str) -> tuple[GrowthRow, ...]:
    """The rows of the CSV, their ages in days. Raises ValueError with the row and what is wrong with it."""

    def reader(columns: Sequence[str]) -> Callable[[Row], GrowthRow]:
        centiles = {column: Decimal(found[1]) for column in columns if (found := _CENTILE.fullmatch(column))}
        missing = [column for column in _FIXED if column not in columns]
        if missing or not (centiles or all(column in columns for column in _LMS)):
            needed = ", ".join(_FIXED)
            raise ValueError(f"needs the columns {needed}, and l, m, s or centiles such as c10; has {list(columns)}")
        return lambda raw: _row(raw, centiles, 7 if ages == "weeks" else 1)

    rows = table_rows(text, reader)
    seen = {(row.measure, row.sex, row.age) for row in rows}
    if len(seen) != len(rows):
        raise ValueError("a measure, sex and age stands in two rows")
    return rows


def sexes_missing(rows: tuple[GrowthRow, ...]) -> Iterator[str]:
    """Of which sex a measure has no rows at all: nobody of that sex would be judged by it."""
    for measure in dict.fromkeys(row.measure for row in rows):
        for sex in {"female", "male"} - {row.sex for row in rows if row.measure is measure}:
            yield f"{measure}: no row of sex {sex}"


def gaps(rows: tuple[GrowthRow, ...]) -> Iterator[str]:
    """Where a table leaves out a step that it keeps elsewhere: an infant of that age is held against nothing."""
    ages: dict[tuple[str, str], list[int]] = {}
    for row in rows:
        ages.setdefault((str(row.measure), str(row.sex)), []).append(row.age)
    for (measure, sex), found in ages.items():
        steps = [(after - before, before, after) for before, after in pairwise(sorted(found))]
        usual = min((step for step, _, _ in steps), default=0)
        for step, before, after in steps:
            if step > usual:
                between = f"{before // 7}+{before % 7} and {after // 7}+{after % 7} weeks"
                yield f"{measure}, {sex}: no row between {between}, though others are {usual} days apart"


def _row(raw: Row, centiles: dict[str, Decimal], days: int) -> GrowthRow:
    has_lms = all(raw.get(name) for name in _LMS)
    values = tuple(sorted((centile, Decimal(raw[name])) for name, centile in centiles.items() if raw.get(name)))
    if not has_lms and not values:
        raise ValueError("it has neither l, m and s nor a centile")
    if any(low[1] >= high[1] for low, high in pairwise(values)):
        raise ValueError("its centiles do not ascend")
    lms = (Decimal(raw["l"]), Decimal(raw["m"]), Decimal(raw["s"])) if has_lms else None
    if lms is not None and (lms[1] <= 0 or lms[2] <= 0):
        raise ValueError("m and s must be above 0")
    measure, sex = raw["measure"].lower(), raw["sex"].lower()
    return GrowthRow.model_validate(
        {"measure": measure, "sex": sex, "age": int(raw["age"]) * days, "lms": lms, "centiles": values}
    )
