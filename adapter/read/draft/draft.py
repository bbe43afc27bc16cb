"""A column plan drafted from a table: what is certain as it stands, what is not with a question mark."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue, ItemType
from adapter.problems import Problem
from adapter.read.draft.cells import CellReader
from adapter.read.draft.findings import NOTHING, Column, FindingDraft
from adapter.read.draft.forms import clock_forms, date_forms, decimals, moment_forms
from adapter.read.draft.persons import PersonDraft, by_field
from adapter.read.draft.shape import Cells, Sheet, other_cells, sheet_of
from adapter.read.draft.tree import Open, Said, written
from adapter.read.draft.words import Target, Words, words_of
from adapter.read.places import Place
from adapter.read.plan.table import content_of
from adapter.read.sniff import Kind, kind_of

_MEASURED = (ItemType.QUANTITY, ItemType.QUANTITIES, ItemType.SCORE)
_MAY_BE = ("either_date", "either_clock")
"""Names of so many things that the cells must agree."""
_HEAD = """\
# A column plan, drafted from {name}: {rows} rows, {columns} columns. Nothing in it was decided by a person yet.
# Whatever begins with a question mark is not certain: take the mark away where the proposal is right, write what is
# right where it is not, delete what is not to be read. The plan is refused until none is left:
#   newborn-adapter columns check PLAN
# What is written without a mark rests on names, units and cells of the table: read it once as well.
"""


@dataclass(frozen=True, slots=True)
class Draft:
    """The plan as a tree and as YAML, and of each column what was made of it."""

    name: str
    sheet: Sheet
    tree: dict[str, Any]
    columns: tuple[Column, ...]

    @property
    def text(self) -> str:
        """The plan in YAML, with comments."""
        head = _HEAD.format(name=Path(self.name).name, rows=self.sheet.rows, columns=len(self.columns))
        return head + written(self.tree)

    @property
    def questions(self) -> list[tuple[str, Open]]:
        """Everything that a person must decide, with its place in the plan."""
        return list(_questions(self.tree, ""))


def draft_plan(
    source: Path | bytes, catalogue: Catalogue, *, name: str = "", sheet: str | None = None
) -> Draft | Problem:
    """The draft for a table, or why no plan can be drafted from it."""
    name = name or (str(source) if isinstance(source, Path) else "standard input")
    words = words_of(catalogue)
    data = content_of(source, name)
    if isinstance(data, Problem):
        return data
    if kind_of(data) is Kind.CAPTURE_TABLE and b"\0" not in data[:4]:
        what = "is the long CSV, which needs no plan"
        return Place("", None, name).error("no-plan-needed", what, "newborn-adapter check, which reads it as it is")
    if kind_of(data) in (Kind.JSON, Kind.LINES, Kind.MANIFEST, Kind.XML, Kind.MESSAGE):
        what = "is no table"
        return Place("", None, name).error(
            "no-table", what, "CSV, TSV or XLSX; a record, FHIR and HL7 v2 need no plan"
        )
    found = sheet_of(data, words, name, sheet)
    if isinstance(found, Problem):
        return found
    columns = tuple(_column(cells, words) for cells in found.columns)
    which = _item_column(columns, words)
    if which is None and not any(column.target.item for column in columns):
        what = "no column is called as an item of the catalogue is, in English or in the site's language"
        remedy = (
            "columns named by labels, ids or codes of newborn-adapter items; --site for words of another language"
        )
        return Place(f"row {found.header}", None, name).error("no-item", what, remedy)
    return _Drafting(name, data, found, columns, words).draft(which)


def _column(cells: Cells, words: Words) -> Column:
    """What a column is called: by its whole name, else by the last of its header's rows. Of several things that
    are called so the first that its cells can be."""
    name, last = words.name(cells.name), cells.name.rpartition(" / ")[2]
    if not name.targets and last != cells.name:
        name = words.name(last)
    fitting = [target for target in name.targets if _fits(target, cells, words)]
    known = name.targets if name.sure and name.targets[0].field not in _MAY_BE else ()
    return Column(cells, name, target=next(iter(fitting or known), NOTHING))


def _fits(target: Target, cells: Cells, words: Words) -> bool:
    """Whether the cells can be what the column is called."""
    item = words.catalogue.items.get(target.item)
    if item is not None:
        return CellReader(words).fits(item, cells.distinct)
    texts = [t for t in cells.distinct if not (words.says("missing", t) or words.says("perhaps_missing", t))]
    if target.field.endswith("_clock"):
        return bool(clock_forms(texts))
    return not target.field.endswith("_date") or bool(date_forms(texts) or moment_forms(texts))


def _item_column(columns: Sequence[Column], words: Words) -> Column | None:
    """The column of a long table whose cells name the items, if there is one."""
    for column in columns:
        cells = list(column.cells.distinct)[:400]
        known = [text for text in cells if len(text) > 1 and any(t.item for t in words.known(text).targets)]
        if not column.target.item and len(known) > 1 and len(known) > 0.6 * len(cells):
            return column
    return None


@dataclass(frozen=True, slots=True)
class _Drafting:
    name: str
    data: bytes
    sheet: Sheet
    columns: tuple[Column, ...]
    words: Words

    def draft(self, which: Column | None) -> Draft:
        fields = by_field(self.columns)
        used: dict[str, str] = {}
        persons = PersonDraft(self.words, fields, used)
        exam, newborn = persons.exam(), persons.newborn()
        reader = FindingDraft(CellReader(self.words))
        findings = self._long(reader, fields, which) if which else self._wide(reader, used)
        tree: dict[str, Any] = {"plan": 1, "label": f"Drafted from {Path(self.name).name}"}
        if table := self.sheet.how | self._decimal(which, fields):
            tree["table"] = table
        if key := self._key(fields, which is not None):
            tree["key"] = key
        if missing := self._missing():
            tree["missing"] = missing
        if zone := self._zone(exam, newborn):
            tree["time_zone"] = zone
        if unread := self._unread(used, which):
            tree["unread"] = unread
        for column in self.columns:
            if column.cells.name in used:
                column.made.append(used[column.cells.name])
        return Draft(
            self.name, self.sheet, tree | {"exam": exam, "newborn": newborn, "findings": findings}, self.columns
        )

    def _wide(self, reader: FindingDraft, used: dict[str, str]) -> list[Any]:
        findings: list[Any] = []
        held = [column for column in self.columns if column.cells.name not in used]
        for group, entry in reader.wide(c for c in held if c.target.item or c.target.field == "note"):
            for column in group:
                _note(column, entry, self.words)
            findings.append(entry)
        return findings

    def _unread(self, used: dict[str, str], which: Column | None) -> list[Open]:
        """The columns of which nothing was made."""
        read = ("item", "result", "unit", "side") if which else ("note",)
        why = "nothing was made of it: is it to be left unread? else write a finding for it"
        found = []
        for column in self.columns:
            read_as = column is which or (column.target.item and not which) or column.target.field in read
            if not read_as and column.cells.name not in used:
                column.open.append(("unread", Open("yes")))
                found.append(Open(column.cells.name, why))
        return found

    def _long(self, reader: FindingDraft, fields: dict[str, list[Column]], which: Column) -> list[Any]:
        names = {field: (fields[field][0].cells.name if field in fields else "") for field in ("unit", "side")}
        rows: dict[int, dict[str, str]] = {}
        for column in self.columns:
            for number, text in column.cells.cells:
                rows.setdefault(number, {c.cells.name: "" for c in self.columns})[column.cells.name] = text
        result: str | Open = fields["result"][0].cells.name if "result" in fields else ""
        if not result:
            result = Open(self._fullest(fields, which), "which column holds the value?")
        findings: list[Any] = []
        order = [rows[number] for number in sorted(rows)]
        for entry in reader.long(order, which.cells.name, result, names["unit"], names["side"]):
            _note(which, entry, self.words)
            findings.append(entry)
        for field in ("result", "unit", "side"):
            for column in fields.get(field, []):
                column.made.append(f"{field} of the findings")
        return findings

    def _fullest(self, fields: dict[str, list[Column]], which: Column) -> str:
        """The column with most different cells of those that are not known to be something else."""
        others = [c for c in self.columns if c is not which and not c.target.field]
        return max(others, key=lambda c: len(c.cells.distinct)).cells.name if others else ""

    def _decimal(self, which: Column | None, fields: dict[str, list[Column]]) -> dict[str, Any]:
        """The table's decimal mark, where its numbers decide it; a question where they do not."""
        measured = [c for c in self.columns if self._is_measured(c)] + (fields.get("result", []) if which else [])
        commas = decimals(text for column in measured for text in column.cells.distinct)
        others = other_cells(self.data, self.sheet.how, self.name)
        points = decimals(text for c in measured for text in others.get(c.cells.name, c.cells.distinct))
        if commas.commas and not points.points and not points.either_point:
            return {"decimal": Said("comma", f"such as {commas.commas[0]}")}
        if commas.commas or (commas.either_comma and not points.points):
            both = (*commas.commas, *commas.either_comma)[0], *(*points.points, *points.either_point)[:1]
            return {"decimal": Open("comma", f"{' and '.join(both)}: which mark stands before the decimals?")}
        if points.either_point and not points.points and not self._are_decimals(measured):
            return {"decimal": Open("point", f"{points.either_point[0]}: decimals, or a thousand?")}
        return {}

    def _is_measured(self, column: Column) -> bool:
        item = self.words.catalogue.items.get(column.target.item)
        return column.target.field in ("gestation", "age_hours") or (item is not None and item.type in _MEASURED)

    def _are_decimals(self, measured: list[Column]) -> bool:
        """Whether the numbers of three places can only be decimals: as thousands they could not be the item."""
        reader = CellReader(self.words)
        for column in measured:
            item = self.words.catalogue.items.get(column.target.item)
            texts = list(decimals(column.cells.distinct).either_point)
            unit = column.name.unit or column.cells.unit
            if not texts:
                continue
            if item is None or not unit:
                return False
            thousands = [text.replace(".", "") for text in texts]
            if reader.share(item, texts, unit, "possible") < 1 or reader.share(item, thousands, unit, "possible") > 0:
                return False
        return True

    def _key(self, fields: dict[str, list[Column]], long: bool) -> list[str | Open]:
        """What rows of one exam have in common, where several rows are one exam."""
        for field in ("exam_id", "either_id", "newborn_id"):
            for column in fields.get(field, [])[:1]:
                several = max(column.cells.distinct.values(), default=0) > 1
                name = column.cells.name
                if several and (long or field == "exam_id"):
                    return [
                        name if field == "exam_id" else Open(name, "what do the rows of one exam have in common?")
                    ]
        return []

    def _missing(self) -> list[str]:
        cells = (text for column in self.columns if self._may_lack(column) for text in column.cells.distinct)
        return sorted({text for text in cells if self.words.says("missing", text)})

    @staticmethod
    def _may_lack(column: Column) -> bool:
        target: Target = column.target
        return bool(target.item) or target.field in ("sex", "gestation", "result", "birth_date", "exam_date")

    def _zone(self, exam: dict[str, Any], newborn: dict[str, Any]) -> str | Open | None:
        """The time zone, where times may have no offset: the site's, else a question."""
        times = [exam["started"], newborn["birth_time"]]
        if all(isinstance(time, dict) and set(time) <= {"column", "hours_after_birth"} for time in times):
            names = [str(time.get("column")) for time in times if isinstance(time, dict)]
            cells = [t for c in self.columns if c.cells.name in names for t in c.cells.distinct]
            if all(text.endswith("Z") or text[-6:-5] in ("+", "-") for text in cells):
                return None
        known = self.words.catalogue.settings.time_zone
        return known or Open("", "where these times are local, such as Europe/Oslo")


def _note(column: Column, entry: dict[str, Any], words: Words) -> None:
    """What a finding makes of a column, for the page."""
    known = words.catalogue.items.get(str(getattr(entry["item"], "proposal", entry["item"])))
    said = known.label if known else "no item is called so"
    column.made.append(f"{said}{'?' if isinstance(entry['item'], Open) else ''}")
    column.open += [(at.rpartition(".")[2], one) for at, one in _questions(entry, "")]


def _questions(tree: Any, path: str) -> Iterator[tuple[str, Open]]:
    if isinstance(tree, Open):
        yield path, tree
    elif isinstance(tree, Said):
        yield from _questions(tree.value, path)
    elif isinstance(tree, dict):
        for key, value in tree.items():
            yield from _questions(value, f"{path}.{key}" if path else str(key))
    elif isinstance(tree, list):
        for n, value in enumerate(tree):
            yield from _questions(value, f"{path}.{n}")
