"""A column plan: how the columns of any table become capture records. Written by people, in YAML.

A field is filled from a *source*: a constant (plain text), ``{column: name}`` or ``{row_number: true}``, with
value translations. Times, gestations and values have forms of their own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from adapter.exam.text import Key, Moment


class Frozen(BaseModel):
    """Base of the plan's parts: immutable, no unknown fields."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


def _word(value: Any) -> Any:
    return str(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else value


Word = Annotated[str, BeforeValidator(_word), WithJsonSchema({"type": ["string", "number"]})]
"""A cell's or a constant's text; YAML numbers are taken as they are written."""


class _Or:
    """What a field takes beside a mapping, in the JSON Schema."""

    def __init__(self, *plain: str) -> None:
        self.plain = plain

    def __get_pydantic_json_schema__(self, core: Any, handler: Any) -> dict[str, Any]:
        return {"anyOf": [{"type": list(self.plain)}, handler(core)]}


def _sources(*names: str) -> ConfigDict:
    """For the JSON Schema: exactly one of these fields."""
    either: list[Any] = [
        {"required": [name], "properties": {name: {"not": {"enum": [None, False]}}}} for name in names
    ]
    return ConfigDict(json_schema_extra={"oneOf": either})


def _one_of(model: Any, *names: str) -> None:
    given = [name for name in names if getattr(model, name) not in (None, False)]
    if len(given) != 1:
        said = " and ".join(given) or "none of them"
        raise ValueError(f"needs exactly one source; {' or '.join(names)} (it has {said})")


class Source(Frozen):
    """Where a field's text comes from; ``map`` translates cells, ``otherwise`` stands for all it does not name.

    ``pattern`` takes a part of a cell: a regular expression (of Python's ``re``) that the whole cell must match, with
    one group, which is the part taken; where the group takes no part in the match, the part is missing.
    """

    model_config = _sources("constant", "column", "row_number")

    constant: Word | None = None
    column: str | None = None
    row_number: bool = False
    pattern: str | None = None
    prefix: str = ""
    suffix: str = ""
    map: dict[str, Word] = Field(default_factory=dict)
    otherwise: Word | None = None
    missing: tuple[Word, ...] = ()

    @model_validator(mode="after")
    def _origin(self) -> Source:
        _one_of(self, "constant", "column", "row_number")
        if self.pattern is not None:
            _one_group(self.pattern)
            if self.column is None:
                raise ValueError("a pattern takes a part of a cell; name the column")
        return self

    @property
    def outcomes(self) -> tuple[str, ...] | None:
        """Every text that may come out, or None where that depends on the table."""
        if self.prefix or self.suffix:
            return None
        if self.constant is not None:
            return (self.constant,)
        return (*self.map.values(), *([self.otherwise] if self.otherwise is not None else [])) if self.map else None


def _one_group(pattern: str) -> None:
    try:
        groups = re.compile(pattern).groups
    except re.error as error:
        raise ValueError(f"is no regular expression: {error}; one such as 'L ([0-9]) / R [0-9]'") from None
    if groups != 1:
        raise ValueError(f"has {groups} groups; exactly one ( ) around the part to take, (?: ) around others")


def _plain(value: Any) -> Any:
    return {"constant": value} if isinstance(value, (str, int)) and not isinstance(value, bool) else value


Fill = Annotated[Source, BeforeValidator(_plain), _Or("string", "integer")]
"""A source; plain text is a constant."""


class Time(Frozen):
    """Where a moment comes from.

    ``constant`` (with offset), ``column`` (date and time in one), ``date`` with ``time`` (two columns), or ``date``
    with ``at`` (a time of day that the plan decides, where the table has none), or ``hours_after_birth``. Formats
    are those of C ``strftime``; without one, ISO 8601. ``time_zone`` is an IANA name, for cells without offset.
    """

    model_config = _sources("constant", "column", "date", "hours_after_birth")

    constant: Moment | None = None
    column: str | None = None
    date: str | None = None
    time: str | None = None
    at: str | None = Field(default=None, pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    hours_after_birth: Fill | None = None
    format: str | None = None
    time_format: str | None = None
    time_zone: str | None = None
    missing: tuple[Word, ...] = ()

    @model_validator(mode="after")
    def _origin(self) -> Time:
        _one_of(self, "constant", "column", "date", "hours_after_birth")
        if self.date is not None and (self.time is None) == (self.at is None):
            raise ValueError("a date needs its time of day; time (a column) or at (decided by the plan), one of them")
        if self.date is None and (self.time or self.at):
            raise ValueError("time and at belong to date; name the date's column in date")
        return self


TimeFill = Annotated[Time, BeforeValidator(lambda v: {"constant": v} if isinstance(v, str) else v), _Or("string")]


class IdentifierPlan(Frozen):
    """An identifier: its system is fixed, its value comes from the table."""

    system: str
    value: Fill


class ExaminerPlan(Frozen):
    """Who examined."""

    role: Fill
    name: Fill | None = None
    family: Fill | None = None
    given: Fill | None = None
    prefix: Fill | None = None
    facts: dict[str, Fill] = Field(default_factory=dict)
    identifier: IdentifierPlan | None = None


class GestationPlan(Frozen):
    """Gestation at birth: completed weeks (with or without days), or all days, or weeks with decimals.

    Decimal weeks are turned into the nearest day. ``weeks_and_days`` are both in one cell, written ``39+4`` (common
    practice); a cell of ``39`` has no days.
    """

    model_config = _sources("weeks", "total_days", "decimal_weeks", "weeks_and_days")

    weeks: Fill | None = None
    days: Fill | None = None
    total_days: Fill | None = None
    decimal_weeks: Fill | None = None
    weeks_and_days: Fill | None = None
    method: Fill | None = None

    @model_validator(mode="after")
    def _origin(self) -> GestationPlan:
        _one_of(self, "weeks", "total_days", "decimal_weeks", "weeks_and_days")
        if self.days is not None and self.weeks is None:
            raise ValueError("days go with weeks; total_days holds all of them")
        return self


class BirthOrderPlan(Frozen):
    """Which of how many."""

    order: Fill
    of: Fill | None = None


class MotherPlan(Frozen):
    """Who gave birth."""

    identifiers: tuple[IdentifierPlan, ...] = Field(min_length=1)
    name: Fill | None = None
    family: Fill | None = None
    given: Fill | None = None
    prefix: Fill | None = None
    facts: dict[str, Fill] = Field(default_factory=dict)


class NewbornPlan(Frozen):
    """Whom the exam is about."""

    identifiers: tuple[IdentifierPlan, ...] = Field(min_length=1)
    name: Fill | None = None
    family: Fill | None = None
    given: Fill | None = None
    prefix: Fill | None = None
    facts: dict[str, Fill] = Field(default_factory=dict)
    sex: Fill
    birth_time: TimeFill
    birth_order: BirthOrderPlan | None = None
    gestation: GestationPlan | None = None
    mother: MotherPlan | None = None


class ExamPlan(Frozen):
    """The exam's own fields."""

    id: Fill
    kind: Fill
    started: TimeFill
    ended: TimeFill | None = None
    status: Fill | None = None
    recorded: TimeFill | None = None
    amends: Fill | None = None
    first: Fill | None = None
    reassigned_from: Fill | None = None
    reason: Fill | None = None
    place: Fill | None = None
    encounter: IdentifierPlan | None = None
    examiners: tuple[ExaminerPlan, ...] = Field(min_length=1)


class Part(Frozen):
    """One part of an amount written in two columns, such as pounds and ounces."""

    column: str
    unit: str


class When(Frozen):
    """The rows that a finding is read from: those whose cell is one of these."""

    column: str
    is_: tuple[Word, ...] = Field(alias="is", min_length=1)


class FindingPlan(Frozen):
    """How one item is read from a row.

    Where the cell is missing the item is not recorded, unless ``when_missing`` names the reason for which it was
    not examined. ``unit_in_cell`` says that the cell holds the number with its unit, such as ``3.2 kg``.
    """

    item: Key
    when: When | None = None
    value: Fill | None = None
    split: str | None = Field(default=None, min_length=1, max_length=3)
    unit: Fill | None = None
    unit_in_cell: bool = False
    parts: tuple[Part, Part] | None = None
    components: dict[str, Fill] = Field(default_factory=dict)
    total: Fill | None = None
    signs: dict[str, Fill] = Field(default_factory=dict)
    time: TimeFill | None = None
    text: Fill | None = None
    not_examined: Fill | None = None
    when_missing: Key | None = None
    side: Fill | None = None
    method: Fill | None = None
    site: Fill | None = None
    state: Fill | None = None
    counted_seconds: Fill | None = None
    observed_at: TimeFill | None = None
    urgency: Fill | None = None
    note: Fill | None = None


class TablePlan(Frozen):
    """How the table itself is written.

    The header is row 1, or ``header_row``, or the first row of which the cells hold all the names in
    ``header_with``; what stands above is not read. A header of several ``header_rows`` names each column by its
    cells from above to below, joined by `` / ``; an empty cell of an upper row belongs to the one on its left.
    ``skip_rows`` and ``skip_where`` are not read, such as a row of units or of sums. With ``decimal: comma`` a
    number with a point is refused: it may be a thousand.
    """

    sheet: str | None = None
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    encoding: Literal["utf-8", "latin-1", "cp1252", "utf-16"] = "utf-8"
    decimal: Literal["point", "comma"] = "point"
    header_row: int | None = Field(default=None, ge=1, le=1000)
    header_with: tuple[Word, ...] = ()
    header_rows: int = Field(default=1, ge=1, le=3)
    skip_rows: tuple[int, ...] = ()
    skip_where: tuple[When, ...] = ()

    @model_validator(mode="after")
    def _one_header(self) -> TablePlan:
        if self.header_row is not None and self.header_with:
            raise ValueError("header_row and header_with both say where the header is; one of them")
        return self

    @property
    def begins_with_header(self) -> bool:
        """Whether the first row is the whole header."""
        return self.header_row in (None, 1) and not self.header_with and self.header_rows == 1


class Plan(Frozen):
    """The whole plan. With ``key``, rows of which these columns agree are one exam; without, each row is one.

    ``unread`` names columns that are left unread on purpose: of others that no field reads it is said.
    """

    plan: Literal[1]
    label: str = ""
    table: TablePlan = TablePlan()
    key: tuple[str, ...] = ()
    missing: tuple[Word, ...] = ()
    time_zone: str | None = None
    unread: tuple[Word, ...] = ()
    exam: ExamPlan
    newborn: NewbornPlan
    findings: tuple[FindingPlan, ...] = ()

    def columns(self) -> tuple[str, ...]:
        """Every column that the plan reads, each once."""
        return tuple(dict.fromkeys((*self.key, *_columns(self))))


def _columns(part: Any) -> Iterator[str]:
    """The columns a part of the plan reads: the fields that hold column names, wherever they stand."""
    if isinstance(part, (list, tuple)):
        for entry in part:
            yield from _columns(entry)
    elif isinstance(part, dict):
        for entry in part.values():
            yield from _columns(entry)
    elif isinstance(part, BaseModel):
        if isinstance(part, Time):
            yield from (c for c in (part.date, part.time) if c is not None)
        column = getattr(part, "column", None)
        if isinstance(column, str):
            yield column
        for name in type(part).model_fields:
            yield from _columns(getattr(part, name))
