"""The shape of a table: how it is written, where its header stands, which rows are none of its exams."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from adapter.problems import Problem
from adapter.read.draft.tree import Open, Said, certain
from adapter.read.draft.words import Words, folded
from adapter.read.places import Place
from adapter.read.plan.model import TablePlan
from adapter.read.plan.table import TooManyCells, is_workbook, open_table, sheets_of, table_lines

_LOOKED_AT = 60
"""Rows in which the header is looked for, and by which the delimiter is told."""
_ENCODINGS = ("utf-8", "utf-16", "cp1252")
_DELIMITERS = (",", ";", "\t", "|")


@dataclass(slots=True)
class Cells:
    """One column: its name and its cells that are not empty, with the number of their row."""

    name: str
    unit: str = ""
    """UCUM, where a row below the header names it."""
    cells: list[tuple[int, str]] = field(default_factory=list)

    @property
    def distinct(self) -> Counter[str]:
        """Every different cell, and how often it stands."""
        return Counter(text for _, text in self.cells)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as it was found: what the plan says of it under ``table``, and its columns."""

    how: dict[str, Any]
    columns: tuple[Cells, ...]
    rows: int
    header: int
    refused: int
    """Rows that do not fit the header."""


def sheet_of(data: bytes, words: Words, name: str, sheet: str | None = None) -> Sheet | Problem:
    """The table of a file, or why there is none that could be a table of exams."""
    how = _written(data, name, sheet)
    if isinstance(how, Problem):
        return how
    head = _first_rows(data, _plan(how), name)
    if isinstance(head, Problem):
        return head
    found = _header(head, words)
    if found is None:
        what = "no row could be a header: names in several cells, and rows of as many cells below"
        return Place("", None, name).error("no-table", what, "a table with one column for each thing recorded")
    number, sure, count = found
    if number > 1:
        why = f"row {number} names the columns; what stands above is not read"
        doubt = f"row {number} has most known names, and another nearly as many: which is the header?"
        how["header_row"] = Said(number, why) if sure else Open(str(number), doubt)
    if count > 1:
        how["header_rows"] = Said(count, f"rows {number} and {number + 1} name the columns together")
    return _filled(data, how, name, head, number + count - 1, words)


def _plan(how: dict[str, Any]) -> TablePlan:
    data = certain(how)
    for key in ("header_row", "header_rows"):
        data |= {key: int(data[key])} if key in data else {}
    return TablePlan.model_validate(data)


def _written(data: bytes, name: str, sheet: str | None) -> dict[str, Any] | Problem:
    """Sheet, encoding and delimiter."""
    if is_workbook(data, name):
        return _sheet_named(data, name, sheet)
    problem: Problem | None = None
    for encoding in _ENCODINGS:
        found: list[tuple[int, int, str]] = []
        for mark in _DELIMITERS:
            lines = _first_rows(data, TablePlan(delimiter=mark, encoding=encoding), name)
            if isinstance(lines, Problem):
                problem = problem or lines
                break
            widths = Counter(_width(line) for line in lines if any(line))
            width, count = max(widths.items(), key=lambda one: (one[0] > 1, one[1], one[0]), default=(0, 0))
            found.append((count if width > 1 else 0, width, mark))
        if not found:
            continue
        count, width, mark = max(found)
        if count < 2:
            what = "no two rows have the same number of cells, whatever parts them"
            return Place("", None, name).error("no-table", what, "CSV, TSV or XLSX with a header and rows below")
        how: dict[str, Any] = {} if encoding == "utf-8" else {"encoding": encoding}
        if encoding == "cp1252":
            how["encoding"] = Open(encoding, "the file is not UTF-8: are accents and umlauts right on the page?")
        return how | {"delimiter": mark}
    assert problem is not None
    return problem


def _first_rows(data: bytes, how: TablePlan, name: str) -> list[list[str]] | Problem:
    """The first rows, trimmed; of a table that is broken further down those above."""
    lines = table_lines(data, how, name)
    if isinstance(lines, Problem):
        return lines
    rows: list[list[str]] = []
    with suppress(csv.Error, TooManyCells):
        rows.extend([cell.strip() for cell in line] for line in islice(lines, _LOOKED_AT))
    return rows


def _sheet_named(data: bytes, name: str, sheet: str | None) -> dict[str, Any] | Problem:
    names = sheets_of(data, name)
    if isinstance(names, Problem):
        return names
    if sheet is not None or len(names) < 2:
        return {"sheet": sheet} if sheet is not None else {}
    return {"sheet": Open(names[0], f"the first of the sheets {', '.join(names)}")}


def _width(line: Sequence[str]) -> int:
    """Cells up to the last that is not empty."""
    return max((n for n, cell in enumerate(line, start=1) if cell.strip()), default=0)


def _header(head: list[list[str]], words: Words) -> tuple[int, bool, int] | None:
    """The number of the header's first row, whether that is certain, and how many rows it has."""
    known = [sum(_is_name(cell, words) for cell in line) for line in head]
    filled = [sum(1 for cell in line if cell) for line in head]
    best = max(range(len(head)), key=lambda n: (known[n], -n), default=None)
    if best is None:
        return None
    if known[best] < 2:
        usual = Counter(count for count in filled if count).most_common(1)
        wanted = usual[0][0] if usual else 0
        best = next((n for n, line in enumerate(head) if filled[n] >= max(2, wanted) and _are_names(line)), None)
        if best is None or best + 1 >= len(head):
            return None
        return best + 1, best == 0, 1
    rivals = [n for n in range(len(head)) if n != best and known[n] > known[best] / 2 and head[n] != head[best]]
    above = head[best - 1] if best else []
    below = head[best + 1] if best + 1 < len(head) else []
    if _is_upper(above, head[best]):
        return best, not [n for n in rivals if n != best - 1], 2
    if below and known[best + 1] and _is_upper(head[best], below):
        return best + 1, not [n for n in rivals if n != best + 1], 2
    return best + 1, not rivals, 1


def _is_name(cell: str, words: Words) -> bool:
    if not cell or len(cell) > 80 or not any(letter.isalpha() for letter in cell):
        return False
    return bool(words.known(cell).targets)


def _are_names(line: list[str]) -> bool:
    """Whether the cells may be names of columns: each once, none a number."""
    cells = [cell for cell in line if cell]
    return len(set(cells)) == len(cells) and not any(cell[0].isdigit() or cell[0] in "+-" for cell in cells)


def _is_upper(above: list[str], below: list[str]) -> bool:
    """Whether a row groups the columns of the next: some of its cells are empty where the next has a name."""
    named = [n for n, cell in enumerate(below) if cell]
    over = [cell for cell in above if cell]
    gaps = any(n >= len(above) or not above[n] for n in named)
    words = not any(re.fullmatch(r"[\d.,:/+-]+", below[n]) for n in named)
    return len(over) >= 2 and gaps and words and _are_names(list(dict.fromkeys(over)))


def _filled(
    data: bytes, how: dict[str, Any], name: str, head: list[list[str]], header: int, words: Words
) -> Sheet | Problem:
    if header < len(head) and _are_units(head[header], words):
        how["skip_rows"] = Said([header + 1], f"row {header + 1} holds units")
    table = open_table(data, _plan(how), name)
    if isinstance(table, Problem):
        return table
    units = head[header] if "skip_rows" in how else []
    columns = {column: Cells(column) for column in table.columns}
    refused, rows, seen = 0, 0, {column: set[str]() for column in table.columns}
    sums = words.folded("sums")
    for row in table.rows:
        if isinstance(row, Problem):
            refused += 1
            continue
        number, cells = row
        first = next((c for c in table.columns if cells[c]), None)
        skipped = first is not None and (folded(cells[first]) in sums or cells[first] == first)
        if skipped and first is not None and not (first == table.columns[0] and cells[first].isdigit()):
            seen[first].add(cells[first])
            continue
        rows += 1
        for column, text in cells.items():
            if text:
                columns[column].cells.append((number, text))
    skips = [
        {"column": column, "is": [_skip(word, column) for word in sorted(found)]}
        for column, found in seen.items()
        if found
    ]
    if skips:
        how["skip_where"] = skips
    if not rows:
        return Place(f"row {header}", None, name).error("no-rows", "no row stands below the header", "rows of exams")
    for column, unit in zip(table.columns, units, strict=False):
        columns[column].unit = words.unit(unit.strip("()[] "))
    return Sheet(how, tuple(c for name, c in columns.items() if name), rows, header, refused)


def _skip(word: str, column: str) -> Open | str:
    return word if word == column else Open(word, "a row that sums others up, and no exam?")


def _are_units(line: list[str], words: Words) -> bool:
    cells = [cell for cell in line if cell]
    known = [cell for cell in cells if words.unit(cell.strip("()[] "))]
    return bool(known) and len(known) == len(cells)


def other_cells(data: bytes, how: dict[str, Any], name: str) -> dict[str, list[str]]:
    """The different cells of a workbook with its numbers written with a comma: what has a point is text. Of a text
    table nothing."""
    table = (
        open_table(data, _plan(how).model_copy(update={"decimal": "comma"}), name)
        if is_workbook(data, name)
        else None
    )
    if table is None or isinstance(table, Problem):
        return {}
    found: dict[str, dict[str, None]] = {column: {} for column in table.columns}
    for row in table.rows:
        for column, text in row[1].items() if not isinstance(row, Problem) else ():
            found[column][text] = None
    return {column: list(texts) for column, texts in found.items()}
