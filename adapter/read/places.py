"""Where in an input something stands, in words a person can follow: a JSON pointer and line, a row and column."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from adapter.problems import Layer, Problem, Severity


@dataclass(frozen=True, slots=True)
class Place:
    """One place of one input, and the problems that are found there."""

    where: str = ""
    line: int | None = None
    file: str = ""

    def error(self, rule: str, what: str, remedy: str, item: str = "") -> Problem:
        """What must be mended before the exam is accepted."""
        return self._problem(Severity.ERROR, rule, what, remedy, item)

    def warning(self, rule: str, what: str, remedy: str, item: str = "") -> Problem:
        """What a person should look at; the exam is accepted."""
        return self._problem(Severity.WARNING, rule, what, remedy, item)

    def information(self, rule: str, what: str, remedy: str, item: str = "") -> Problem:
        """What is worth knowing and needs nothing done."""
        return self._problem(Severity.INFORMATION, rule, what, remedy, item)

    def _problem(self, severity: Severity, rule: str, what: str, remedy: str, item: str) -> Problem:
        return Problem(severity, Layer.CAPTURE, rule, what, remedy, self.where, self.file, item, self.line)


PlaceOf = Callable[[str], Place]
"""From a JSON pointer (RFC 6901) into the capture record to the place in the input that it came from."""


def pointer_place(pointer: str) -> Place:
    """The place of a record that came from no file: the pointer itself."""
    return Place(pointer)


def printable(text: str) -> str:
    """The text with whatever a terminal or a log could not take written as an escape."""
    return text if text.isprintable() else text.encode("unicode_escape").decode("ascii")


def pointer(*steps: object) -> str:
    """A JSON pointer (RFC 6901, section 3: ``~`` and ``/`` inside a step are escaped)."""
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in steps)


class CellPlaces:
    """Places of a record that was made from rows: which cell filled which pointer.

    Rows are counted as a spreadsheet does: the header is row 1.
    """

    def __init__(self, file: str, first_row: int) -> None:
        self.file, self.first_row = file, first_row
        self.cells: dict[str, tuple[int, str]] = {}

    def put(self, at: str, row: int, column: str = "") -> None:
        """The cell from which the value at a pointer came; without a column, the row of several."""
        self.cells.setdefault(at, (row, column))

    def forget(self, at: str) -> None:
        """The cell at a pointer held nothing; another may fill its place."""
        self.cells.pop(at, None)

    def cell(self, row: int, column: str = "") -> Place:
        """The place of a cell or row of this file."""
        return Place(f"row {row}" + (f", column {column}" if column else ""), None, self.file)

    def __call__(self, at: str) -> Place:
        """The place of the nearest value known; of a row's finding, the column named like the field."""
        step = at
        while step and step not in self.cells:
            step = step.rpartition("/")[0]
        row, column = self.cells.get(step, (self.first_row, ""))
        if not column and step and at != step:
            column = at[len(step) + 1 :].split("/")[0]
        return self.cell(row, column)
