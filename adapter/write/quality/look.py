"""One look over the tables of an extract: what is counted, and which records somebody should look at.

Memory holds counts by item and group; the numbers of newborns who were examined more than once are on the disk.
"""

from __future__ import annotations

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.fhir.json import loads
from adapter.write.quality.checks import QualityChecks
from adapter.write.quality.digits import terminal_digit
from adapter.write.quality.drift import Monthly
from adapter.write.quality.table_one import Place, table_one
from adapter.write.tables import TABLES
from adapter.write.tables.column import split
from adapter.write.tables.folder import TextRow, rows

GROUPS = ("all", "kind", "role", "month", "place")
_EXAM = ("exam_id", "newborn_id", "kind", "age_hours", "examiner_roles")
_FINDING = ("finding_id", "exam_id", "newborn_id", "item", "origin", "side", "site", "number", "age_hours")
_WANTED = ("started", "examiners", "place", "sex", "birth_weight", "gestation_weeks")
_CAPTURED = ("captured_number",)
_NO_PLACE = "place not told"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A record that somebody should look at: why, and where."""

    check: str
    item: str
    exam_id: str
    finding_id: str
    what: str


@dataclass(slots=True)
class Places:
    """Of an item in a group: places that the kind of exam expects or that were filled, and what became of them."""

    expected: int = 0
    not_examined: int = 0
    not_recorded: int = 0
    reasons: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Findings:
    """What was found. ``places`` by group, its value and item; ``exams`` by group and value; ``people`` the examiners
    by role, as far as they are named; ``doubts`` by check. ``undated`` exams have no date; ``moved``: the dates of
    all were moved, so that their months say nothing. ``monthly``: numbers by month; ``table_one``: who they are."""

    exams: Counter[tuple[str, str]] = field(default_factory=Counter)
    places: dict[tuple[str, str, str], Places] = field(default_factory=lambda: defaultdict(Places))
    people: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    digits: dict[str, list[int]] = field(default_factory=dict)
    converted: Counter[str] = field(default_factory=Counter)
    looked_at: Counter[tuple[str, str]] = field(default_factory=Counter)
    doubts: list[Doubt] = field(default_factory=list)
    undated: int = 0
    moved: bool = False
    monthly: Monthly = field(default_factory=Monthly)
    table_one: list[Place] = field(default_factory=list)


def look(folder: Path, checks: QualityChecks, catalogue: Catalogue) -> Findings:
    """Look over the tables exams and findings in a folder. Raises ``NoTables``."""
    found = Findings(moved=_moved(folder))
    with closing(sqlite3.connect("")) as base:
        base.executescript(_TABLES)
        for row in rows(folder, "exams", _EXAM, (*_statuses(catalogue), *_WANTED)):
            _exam(row, found, catalogue)
            numbers = [_number(row.get(name, "")) for name in ("age_hours", "birth_weight", "gestation_weeks")]
            month = "" if found.moved else row.get("started", "")[:7]
            texts = row["exam_id"], row["newborn_id"], row["kind"], month, _place(row), row.get("sex", "")
            values = (*texts, *(None if number is None else float(number) for number in numbers))
            base.execute("insert or ignore into exam values (?, ?, ?, ?, ?, ?, ?, ?, ?)", values)
        for row in rows(folder, "findings", _FINDING, _CAPTURED):
            if row["origin"] == "captured":
                _finding(row, found, checks, catalogue, base)
        found.doubts += [*_duplicates(base, checks, found), *_changes(base, checks, found)]
        found.table_one = table_one(base, checks.least)
    return found


_TABLES = """
create table exam (id text primary key, newborn text, kind text, month text, place text, sex text, hours real,
                   grams real, weeks integer) without rowid;
create table number (newborn text, item text, place text, hours real, value text, exam text, finding text);
create index by_newborn on number (newborn, item, place, hours);
"""


def _moved(folder: Path) -> bool:
    """Whether the extract says that its dates were moved or withheld."""
    try:
        said = loads((folder / "deidentification.json").read_bytes())
    except (OSError, ValueError):
        return False
    return isinstance(said, dict) and said.get("policy", {}).get("dates", "keep") != "keep"


def _place(row: TextRow) -> str:
    return row.get("place", "") or _NO_PLACE


@lru_cache(maxsize=4)
def _statuses(catalogue: Catalogue) -> dict[str, str]:
    """The status columns of the wide table with their items."""
    columns = TABLES["exams"].columns(catalogue)
    return {column.status: column.item for column in columns if column.status}


def _exam(row: TextRow, found: Findings, catalogue: Catalogue) -> None:
    roles = [role for role in row["examiner_roles"].split(";") if role]
    month = "" if found.moved else row.get("started", "")[:7]
    found.undated += not month
    groups = [
        ("all", ""),
        ("kind", row["kind"]),
        *(("role", role) for role in roles),
        ("month", month or "not dated"),
        ("place", _place(row)),
    ]
    found.exams.update(groups)
    for role in roles:
        found.people[role].update(split(row.get("examiners", "")))
    for column, item in _statuses(catalogue).items():
        status = row.get(column, "")
        if status in ("", "not_expected", "computed"):
            continue
        for group in groups:
            places = found.places[(*group, item)]
            places.expected += 1
            if status == "not_recorded":
                places.not_recorded += 1
            elif status.startswith("not_examined"):
                places.not_examined += 1
                places.reasons[status.partition(":")[2]] += 1


def _finding(
    row: TextRow, found: Findings, checks: QualityChecks, catalogue: Catalogue, base: sqlite3.Connection
) -> None:
    item, number, hours = row["item"], _number(row["number"]), _number(row["age_hours"])
    begun = base.execute("select hours, month from exam where id = ?", (row["exam_id"],)).fetchone() or (None, "")
    precedes = item in catalogue.items and catalogue.may_precede(catalogue.items[item])
    if hours is not None and begun[0] is not None and not precedes:
        found.looked_at["timing", ""] += 1
        apart = hours - Decimal(str(begun[0]))
        if not -checks.timing.before <= apart <= checks.timing.after:
            words = f"{abs(apart):.1f} h {'before' if apart < 0 else 'after'} the start of its exam"
            found.doubts.append(Doubt("timing", item, row["exam_id"], row["finding_id"], words))
    if number is None or item not in catalogue.items:
        return
    if checks.drift is not None and item in checks.drift.items and begun[1]:
        found.monthly.see(item, begun[1], float(number))
    if item in checks.digits.items:
        _digit(item, number, _number(row.get("captured_number", "")), found, checks)
    limits = catalogue.items[item].limits
    if limits is not None:
        found.looked_at["units", item] += 1
        low, high = limits.plausible
        if not low <= number <= high and (slip := _slip(number, low, high, checks)):
            words = f"not plausible, and plausible if it were {slip}"
            found.doubts.append(Doubt("units", item, row["exam_id"], row["finding_id"], words))
    if item in checks.changes.items and hours is not None:
        place = f"{row['side']} {row['site']}"
        values = (row["newborn_id"], item, place, float(hours), str(number), row["exam_id"], row["finding_id"])
        base.execute("insert into number values (?, ?, ?, ?, ?, ?, ?)", values)


def _digit(item: str, number: Decimal, captured: Decimal | None, found: Findings, checks: QualityChecks) -> None:
    """Count the digit; not of a number that was converted from a unit that is no power of ten of the item's own."""
    if captured is not None and captured and number and (captured / number).normalize().as_tuple().digits != (1,):
        found.converted[item] += 1
        return
    counts = found.digits.setdefault(item, [0] * 10)
    counts[terminal_digit(number, checks.digits.items[item])] += 1


def _slip(number: Decimal, low: Decimal, high: Decimal, checks: QualityChecks) -> str:
    return next((words for words, factor in checks.units.factors.items() if low <= number / factor <= high), "")


def _duplicates(base: sqlite3.Connection, checks: QualityChecks, found: Findings) -> Iterator[Doubt]:
    most, last = float(checks.duplicates.hours), ("", "", 0.0, "")
    query = "select newborn, kind, hours, id from exam where hours is not null order by newborn, kind, hours, id"
    for newborn, kind, hours, exam in base.execute(query):
        found.looked_at["duplicates", ""] += 1
        if last[:2] == (newborn, kind) and hours - last[2] <= most:
            yield Doubt("duplicates", "", exam, "", f"of the same newborn, kind and time as {last[3]}")
        last = (newborn, kind, hours, exam)


def _changes(base: sqlite3.Connection, checks: QualityChecks, found: Findings) -> Iterator[Doubt]:
    query = "select newborn, item, place, hours, value, exam, finding from number order by 1, 2, 3, 4, 6"
    before: tuple[tuple[str, str, str], float, Decimal, str] | None = None
    for newborn, item, place, hours, value, exam, finding in base.execute(query):
        number, key = Decimal(value), (newborn, item, place)
        limit = checks.changes.items[item]
        if before is not None and before[0] == key and before[3] != exam and hours - before[1] <= float(limit.hours):
            found.looked_at["changes", item] += 1
            if not limit.allows(before[2], number):
                words = f"{number - before[2]:+f} within {hours - before[1]:.1f} h since {before[3]}"
                yield Doubt("changes", item, exam, finding, words)
        before = (key, hours, number, exam)


def _number(text: str) -> Decimal | None:
    try:
        found = Decimal(text)
    except InvalidOperation:
        return None
    return found if found.is_finite() else None
