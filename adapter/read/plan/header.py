"""The header of a table, in whichever rows it stands."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from adapter.read.plan.model import TablePlan

MOST_ABOVE = 1000
"""Rows in which a header is looked for by the names it holds."""


def find_header(lines: Iterator[list[str]], how: TablePlan) -> tuple[int, tuple[str, ...]] | None:
    """The number of the header's last row and the names of its columns, or None where no row is the one described.

    ``lines`` are gone through as far as the header.
    """
    number, cells = 1, _trimmed(next(lines, []))
    if how.header_with:
        while not set(how.header_with) <= set(cells):
            line = next(lines, None)
            if line is None or number >= MOST_ABOVE:
                return None
            number, cells = number + 1, _trimmed(line)
    else:
        for number in range(2, (how.header_row or 1) + 1):  # noqa: B007
            cells = _trimmed(next(lines, []))
    rows = [cells, *(_trimmed(line) for line in islice(lines, how.header_rows - 1))]
    names = _names(rows)
    while names and not names[-1]:
        names.pop()
    return number + how.header_rows - 1, tuple(names)


def _names(rows: list[list[str]]) -> list[str]:
    """Of each column its cells from above to below; an empty cell of an upper row belongs to the one on its left."""
    width = max(len(row) for row in rows)
    filled = [row + [""] * (width - len(row)) for row in rows]
    for row in filled[:-1]:
        for n in range(1, width):
            row[n] = row[n] or row[n - 1]
    names = []
    for column in zip(*filled, strict=True):
        parts = list(dict.fromkeys(part for part in column if part))
        names.append(" / ".join(parts) if column[-1] or len(rows) == 1 else "")
    return _with_upper(names, rows, width)


def _with_upper(names: list[str], rows: list[list[str]], width: int) -> list[str]:
    """A column with a name in an upper row alone is called by it."""
    own = [next((row[n] for row in rows if n < len(row) and row[n]), "") for n in range(width)]
    return [name or upper for name, upper in zip(names, own, strict=True)]


def _trimmed(line: list[str]) -> list[str]:
    return [cell.strip() for cell in line]


def header_line(text: str, how: TablePlan) -> str:
    """The line of a text table by which its delimiter is told: the header's."""
    lines = islice(text.split("\n", MOST_ABOVE), MOST_ABOVE)
    if how.header_with:
        return next((line for line in lines if all(name in line for name in how.header_with)), "")
    return next(islice(lines, (how.header_row or 1) - 1, None), "")
