"""The wide table: one row per exam. :mod:`adapter.write.tables.slots` says which columns an item has.

Where several readings would stand in the same columns (a temperature taken twice at one place), the latest stands, as
a whole (:mod:`adapter.write.tables.readings`), and every column that it shares with another is named in ``repeated``;
the long table has all of them. ``examined``, ``not examined`` with its reason and ``not
recorded`` are three different things in the status columns, and a value column is empty in the last two.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from adapter.catalogue import Catalogue, Item, ItemType, Meaning
from adapter.derive import FindingView, age_hours, worst
from adapter.exam import Sex, Side, Status, Urgency
from adapter.write.tables.column import Column, Row, Type, hours, joined, moment
from adapter.write.tables.readings import readings, standing
from adapter.write.tables.slots import columns_of, places
from adapter.write.tables.tabled import TabledExam
from adapter.write.tables.terms import NOT_JUDGED, URGENCIES, terms, words

_ORDER = {name: rank for rank, name in enumerate((Meaning.EXPECTED, Meaning.VARIANT, NOT_JUDGED, Meaning.ABNORMAL))}


def columns(catalogue: Catalogue) -> tuple[Column, ...]:
    """The columns of the wide table: of the exam, then of each item in the order of the exam."""
    items = (column for item in catalogue.items.values() for column in columns_of(item, catalogue))
    return (*_head_columns(catalogue), *items)


def _head_columns(catalogue: Catalogue) -> tuple[Column, ...]:
    text, integer = Type.TEXT, Type.INTEGER
    return (
        Column("exam_id", text, "The exam"),
        Column("exam_root", text, "The exam as first recorded: the same for all its versions"),
        Column("exam_status", text, "Record status", allowed=words(Status)),
        Column("amended_because", text, "Why it was amended or retracted"),
        Column("report_id", text, "The id of the FHIR DiagnosticReport"),
        Column("newborn_id", text, "The newborn: the id of the FHIR Patient"),
        Column("kind", text, "Kind of exam", allowed=terms(catalogue.kinds)),
        *moment("started", "Start of the exam"),
        *moment("ended", "End of the exam"),
        Column("age_hours", Type.DECIMAL, "Hours of life at the start", "h"),
        Column("place", text, "Where it was done"),
        Column("encounter", text, "The ward's own encounter, system|value"),
        Column("examiner_roles", text, "Who examined, by role", allowed=terms(catalogue.roles), several=True),
        Column("examiners", text, "Who examined, by name or identifier", several=True),
        Column("sex", text, "The newborn's sex as recorded", allowed=words(Sex)),
        Column("gestation_weeks", integer, "Completed weeks of gestation at birth", "wk"),
        Column("gestation_total_days", integer, "Gestation at birth in days, where the days are known", "d"),
        Column("findings_examined", integer, "Findings captured, not examined ones left out"),
        Column("findings_not_examined", integer, "Findings not examined"),
        Column(
            "items_not_recorded", integer, "Items or sides that the kind of exam expects and that are not on record"
        ),
        Column("findings_computed", integer, "Findings that the software computed"),
        Column("urgency", text, "The most urgent line of the tell list", allowed=URGENCIES),
        Column("tell_now", integer, "Lines to tell now"),
        Column("tell_soon", integer, "Lines to tell within this shift"),
        Column("tell", integer, "Lines to tell at the next round"),
        Column("to_do", integer, "Lines still to be done"),
        Column("repeated", text, "Columns that several readings would fill; the latest stands, whole", several=True),
    )


def rows(tabled: TabledExam) -> Iterator[Row]:
    """The one row of an exam."""
    filled = _Filled(tabled)
    yield (*_head(tabled, filled.repeated), *filled.cells)


def _head(tabled: TabledExam, repeated: list[str]) -> Row:
    exam, catalogue = tabled.exam, tabled.catalogue
    details, gestation = exam.details, exam.newborn.gestation
    weeks, days = (gestation.weeks, gestation.days) if gestation else (None, None)
    encounter = catalogue.resolve(details.encounter) if details.encounter else None
    told = [tell for tell in tabled.notifications if not tell.to_do]
    return (
        details.id,
        details.root,
        details.status.value,
        details.reason,
        tabled.identity.report().uuid,
        tabled.newborn_id,
        details.kind,
        *tabled.moment(details.started),
        *tabled.moment(details.ended),
        hours(age_hours(exam, details.started)),
        details.place,
        str(encounter) if encounter else None,
        ";".join(sorted({examiner.role for examiner in details.examiners})),
        joined(examiner.shown_name or str(examiner.identifier) for examiner in details.examiners),
        exam.newborn.sex.value,
        weeks,
        None if weeks is None or days is None else weeks * 7 + days,
        tabled.recorded,
        tabled.not_examined,
        len(tabled.not_recorded),
        len(tabled.findings) - len(exam.findings),
        worst(*(tell.urgency for tell in tabled.notifications)).value,
        sum(tell.urgency is Urgency.TELL_NOW for tell in told),
        sum(tell.urgency is Urgency.TELL_SOON for tell in told),
        sum(tell.urgency is Urgency.TELL for tell in told),
        sum(tell.to_do for tell in tabled.notifications),
        ";".join(repeated) or None,
    )


@lru_cache(maxsize=8)
def _places(catalogue: Catalogue) -> tuple[dict[str, int], tuple[Any, ...]]:
    """Where each column of an item stands, and a row of an exam that says nothing."""
    names = [column.name for item in catalogue.items.values() for column in columns_of(item, catalogue)]
    empty = tuple("not_expected" if name.endswith("_status") else None for name in names)
    return {name: place for place, name in enumerate(names)}, empty


class _Filled:
    """The cells of the items of one exam."""

    def __init__(self, tabled: TabledExam) -> None:
        self._tabled = tabled
        self._at, empty = _places(tabled.catalogue)
        self.cells: list[Any] = list(empty)
        self.repeated: list[str] = []
        by_item: dict[str, list[FindingView]] = {}
        for one in tabled.findings:
            by_item.setdefault(one.item.id, []).append(one)
        for gap in tabled.not_recorded:
            self._not_recorded(gap.item, gap.side)
        for found in by_item.values():
            self._item(found[0].item, found)

    def _put(self, name: str, value: Any) -> None:
        self.cells[self._at[name]] = value

    def _not_recorded(self, item_id: str, side: Side | None) -> None:
        for place in places(self._tabled.catalogue.items[item_id]):
            if side is None or place.side is side:
                self._put(f"{place.name}_status", "not_recorded")

    def _item(self, item: Item, found: list[FindingView]) -> None:
        found = sorted(found, key=lambda one: (one.made_at, one.index))
        if any(one.computed is None for one in found):
            found = [one for one in found if one.computed is None]
        for place in places(item):
            here = [one for one in found if place.side is None or one.side is place.side]
            if not here:
                continue
            if not item.computed:
                self._put(f"{place.name}_status", _status(here))
            if item.type is ItemType.TEXT:
                self._texts(place.name, here)
                self._meaning(place.name, here, here)
            else:
                self._readings(place.name, item, here)

    def _readings(self, name: str, item: Item, here: list[FindingView]) -> None:
        """Of readings in the same columns the latest, as a whole, and what it says."""
        found = readings(name, item, here)
        stand, touched = standing(name, found)
        for reading in stand:
            for column, value in reading.cells.items():
                self._put(column, value)
        self.repeated += sorted(touched, key=self._at.__getitem__)
        self._meaning(name, [one for reading in stand for one in reading.found] or here, here)

    def _meaning(self, name: str, stand: list[FindingView], here: list[FindingView]) -> None:
        """The worst of what stands; where anything else was judged too, the column is named as repeated."""
        column = f"{name}_meaning"
        if column not in self._at:
            return
        said = [meaning for one in stand if (meaning := _meaning(one)) is not None]
        self._put(column, max(said, key=_ORDER.__getitem__) if said else None)
        indexes = {one.index for one in stand}
        if any(_meaning(one) is not None for one in here if one.index not in indexes):
            self.repeated.append(column)

    def _texts(self, name: str, here: list[FindingView]) -> None:
        """All texts, each on a line of its own; of rules and comparisons their ids."""
        makers = [
            one.computed.maker.id for one in here if one.computed is not None and one.computed.maker is not None
        ]
        texts = [one.finding.text for one in here if one.finding.text is not None]
        self._put(name, ";".join(makers) if makers else "\n".join(texts) or None)


def _meaning(one: FindingView) -> str | None:
    if one.judged is not None:
        return one.judged.meaning.value
    return NOT_JUDGED if one.not_judged is not None else None


def _status(here: list[FindingView]) -> str:
    """Of what was captured at one place; an answer goes before words, words before a reason."""
    captured = [one.finding for one in here if one.computed is None]
    if not captured:
        return "computed"
    if any(finding.value is not None for finding in captured):
        return "examined"
    if any(finding.text is not None for finding in captured):
        return "examined" if here[0].item.type is ItemType.TEXT else "in_words"
    return f"not_examined:{captured[-1].not_examined}"
