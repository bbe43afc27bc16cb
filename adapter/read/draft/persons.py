"""Whom a drafted plan is about and when: the exam and the newborn, from the columns that hold them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from adapter.read.draft.findings import Column
from adapter.read.draft.forms import clock_forms, date_forms, gestation_form, moment_forms, parted_gestation
from adapter.read.draft.tree import Open
from adapter.read.draft.words import Words
from adapter.read.wording import listed


@dataclass(frozen=True, slots=True)
class PersonDraft:
    """Drafts ``exam`` and ``newborn``. ``fields`` holds the columns by what they are; ``used`` those that were."""

    words: Words
    fields: Mapping[str, Sequence[Column]]
    used: dict[str, str]

    def exam(self) -> dict[str, Any]:
        """The block ``exam``."""
        kinds = listed(self.words.catalogue.kinds, 8)
        place = self._source("place")
        return {
            "id": self._exam_id(),
            "kind": self._coded("kind", "kinds") or Open("", f"which exam these are; one of {kinds}"),
            "started": self._started(),
            "examiners": [self._examiner()],
            **({"place": place} if place else {}),
        }

    def newborn(self) -> dict[str, Any]:
        """The block ``newborn``."""
        found: dict[str, Any] = {"identifiers": [{"system": self._system(), "value": self._newborn_id()}]}
        for name in ("name", "family", "given"):
            if source := self._source(name):
                found[name] = source
        found["sex"] = self._sex()
        doubted = not self._has("birth_date") and self._has("either_date")
        date = "either_date" if doubted else "birth_date"
        found["birth_time"] = self._moment(date, "birth_clock", "when they were born", doubted)
        if gestation := self._gestation():
            found["gestation"] = gestation
        if order := self._source("birth_order"):
            cells = self._column("birth_order").cells.distinct
            maps = {} if all(text.isdigit() for text in cells) else {"map": {t: Open("", "1, 2, ..") for t in cells}}
            found["birth_order"] = {"order": order | maps}
        if mother := self._source("mother_id"):
            found["mother"] = {"identifiers": [{"system": self._system(), "value": mother}]}
            if called := self._source("mother_name"):
                found["mother"]["name"] = called
        return found

    def _has(self, field: str) -> bool:
        return bool(self.fields.get(field))

    def _column(self, field: str) -> Column:
        return self.fields[field][0]

    def _name(self, field: str, read_as: str) -> str | Open:
        """The name of the column, noted as used; a question where several are called so."""
        every = self.fields[field]
        self.used[every[0].cells.name] = read_as
        others = [column.cells.name for column in every[1:]]
        return Open(every[0].cells.name, f"or {listed(others)}") if others else every[0].cells.name

    def _texts(self, field: str) -> tuple[list[str], dict[str, Any]]:
        """The different cells that are no mark for missing, and what may be one, to be asked about."""
        words, cells = self.words, self._column(field).cells.distinct
        texts = [text for text in cells if not words.says("missing", text)]
        doubted = [text for text in texts if words.says("perhaps_missing", text)]
        doubted = [text for text in doubted if len(texts) > len(doubted)]
        missing = {"missing": [Open(text, "nothing recorded?") for text in doubted]} if doubted else {}
        return [text for text in texts if text not in doubted], missing

    def _source(self, field: str) -> dict[str, Any]:
        return {"column": self._name(field, field.replace("_", " "))} if self._has(field) else {}

    def _coded(self, field: str, table: str) -> dict[str, Any]:
        """A column whose cells are words of a table of the catalogue, each translated."""
        if not self._has(field):
            return {}
        allowed = listed(getattr(self.words.catalogue, table, self.words.given[table]), 8)
        cells = self._column(field).cells.distinct
        found = {text: self.words.coded(table, text) or Open("", f"one of {allowed}") for text in cells}
        return self._source(field) | {"map": found}

    def _sex(self) -> dict[str, Any] | Open:
        return self._coded("sex", "sex") or Open("unknown", "no column says it")

    def _exam_id(self) -> dict[str, Any] | Open:
        if self._has("exam_id"):
            return self._source("exam_id")
        field = next((name for name in ("newborn_id", "either_id") if self._has(name)), None)
        if field is None:
            return Open("", "no column names the exam: its id, the same whenever the table is read again")
        if max(self._column(field).cells.distinct.values(), default=0) > 1:
            return Open("", "the newborn's number stands in several rows: what tells their exams apart?")
        column = self._column(field).cells.name
        return {"column": column, "prefix": Open("exam-", "the newborn's number: is there one exam of each?")}

    def _newborn_id(self) -> dict[str, Any] | Open:
        if self._has("newborn_id"):
            return self._source("newborn_id")
        for field in ("either_id", "exam_id"):
            if self._has(field):
                why = "does this number name the newborn?"
                column = self._name(field, "newborn id")
                return {"column": column if isinstance(column, Open) else Open(column, why)}
        return Open("", "no column names the newborn")

    def _system(self) -> str | Open:
        known = list(self.words.catalogue.settings.identifier_systems)
        if len(known) == 1:
            return known[0]
        return Open("mrn" if "mrn" in known else "", "whose numbers these are: a URI, or a short name of your site")

    def _examiner(self) -> dict[str, Any]:
        roles = listed(self.words.catalogue.roles, 8)
        role = self._coded("examiner_role", "roles") or Open("", f"who examined; one of {roles}")
        why = "no column names who examined: a name or initials for all, or an identifier"
        return {"role": role, "name": self._source("examiner_name") or Open("", why)}

    def _started(self) -> dict[str, Any] | Open:
        if not self._has("exam_date") and not self._has("either_date") and self._has("age_hours"):
            return {"hours_after_birth": self._source("age_hours")}
        field = "exam_date" if self._has("exam_date") else "either_date"
        clock = "exam_clock" if self._has("exam_clock") else "either_clock"
        return self._moment(field, clock, "when the exam began", doubted=field == "either_date")

    def _moment(self, field: str, clock: str, what: str, doubted: bool = False) -> dict[str, Any] | Open:
        """A moment from a column that holds all of it, or from one of dates and one of times of day."""
        if not self._has(field):
            return Open("", f"no column says {what}: a time with its offset, or a column")
        cells, missing = self._texts(field)
        column = self._name(field, what)
        if doubted and isinstance(column, str):
            column = Open(column, f"is this {what}?")
        whole = moment_forms(cells)
        if whole:
            return {"column": column} | _format("format", whole) | missing
        found: dict[str, Any] = {"date": column} | _format("format", date_forms(cells)) | missing
        if self._has(clock):
            clocks, _ = self._texts(clock)
            named = self._name(clock, f"{what}, time of day")
            if clock.startswith("either") and isinstance(named, str):
                named = Open(named, f"is this the time of day {what}?")
            return found | {"time": named} | _format("time_format", clock_forms(clocks))
        return found | {"at": Open("", f"no column says the time of day {what}: one for all, such as 12:00")}

    def _gestation(self) -> dict[str, Any] | Open | None:
        weeks = next((f for f in ("gestation", "gestation_weeks") if self._has(f)), None)
        if weeks is None:
            return None
        cells, missing = self._texts(weeks)
        form, column = gestation_form(cells), self._name(weeks, "gestation")
        if form == "weeks":
            days = {"days": self._source("gestation_days")} if self._has("gestation_days") else {}
            return {"weeks": {"column": column} | missing} | days
        if form in ("weeks_and_days", "total_days", "decimal_weeks"):
            return {form: {"column": column} | missing}
        if form == "point_or_day":
            one, two = r"(\d+)[.,][0-6]", r"\d+[.,]([0-6])"
            return {
                "weeks": {"column": column, "pattern": Open(one, "is 39.4 39 weeks and 4 days? else decimal_weeks")},
                "days": {"column": column, "pattern": two},
            }
        if parted := parted_gestation(cells):
            return {name: {"column": column, "pattern": p} for name, p in zip(("weeks", "days"), parted, strict=True)}
        return {"weeks": {"column": column, "pattern": Open("", "how weeks are written; ( ) around them")}}


def _format(name: str, forms: list[str]) -> dict[str, Any]:
    """The form of a column of times, asked about where there are several or none."""
    if len(forms) == 1:
        return {name: forms[0]} if forms[0] else {}
    if forms:
        return {name: Open(forms[0], f"all cells can be read so, and as {listed(forms[1:])}")}
    return {name: Open("", "how these cells are written, as strftime has it, such as %d.%m.%Y")}


def by_field(columns: Iterable[Column]) -> dict[str, list[Column]]:
    """The columns that hold a field of the record, by the field."""
    found: dict[str, list[Column]] = {}
    for column in columns:
        if column.target.field:
            found.setdefault(column.target.field, []).append(column)
    return found
