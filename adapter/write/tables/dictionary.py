"""The data dictionary: what each column holds, and how much of it is there, counted as the rows pass by.

*Missing* is an empty cell. Why it is empty stands beside it where a status column knows: not examined is kept apart
from not recorded, and both from what was not expected at all.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from html import escape

from adapter.catalogue import Catalogue
from adapter.write.tables.column import Column, Row, Table
from adapter.write.tables.spreadsheet import cell

HEADINGS = (
    "table",
    "column",
    "label",
    "type",
    "unit",
    "codes",
    "allowed",
    "several",
    "item",
    "rows",
    "filled",
    "share_missing",
    "share_examined",
    "share_not_examined",
    "share_not_recorded",
    "share_not_expected",
    "share_computed",
)
_STATUSES = ("examined", "not_examined", "not_recorded", "not_expected", "computed")


@dataclass(slots=True)
class Counts:
    """What was counted of one table; counts of parts of it add up (:meth:`add`)."""

    rows: int = 0
    filled: Counter[str] = field(default_factory=Counter)
    statuses: dict[str, Counter[str]] = field(default_factory=dict)

    def see(self, rows: Sequence[Row], columns: Sequence[Column]) -> None:
        """Count some rows."""
        if not rows:
            return
        self.rows += len(rows)
        for column, values in zip(columns, zip(*rows, strict=True), strict=True):
            self.filled[column.name] += len(values) - values.count(None)
            if column.name.endswith("_status") and column.item:
                seen = self.statuses.setdefault(column.name, Counter())
                for value, count in Counter(values).items():
                    seen[_kind(value)] += count

    def add(self, other: Counts) -> None:
        """Take in the counts of another part of the same table."""
        self.rows += other.rows
        self.filled.update(other.filled)
        for name, seen in other.statuses.items():
            self.statuses.setdefault(name, Counter()).update(seen)


def _kind(status: str) -> str:
    kind = status.partition(":")[0]
    return "examined" if kind == "in_words" else kind


def entries(table: Table, catalogue: Catalogue, counts: Counts) -> Iterator[tuple[str, ...]]:
    """One row of text for each column of the table, in the order of :data:`HEADINGS`."""
    for column in table.columns(catalogue):
        filled = counts.filled[column.name]
        seen = counts.statuses.get(column.status or column.name)
        shares = [_share(seen[status], counts.rows) for status in _STATUSES] if seen else [""] * len(_STATUSES)
        yield (
            table.name,
            column.name,
            column.label,
            column.type.value,
            column.unit,
            "; ".join(column.codes),
            "; ".join(f"{value} = {label}" for value, label in column.allowed),
            "yes" if column.several else "",
            column.item,
            str(counts.rows),
            str(filled),
            _share(counts.rows - filled, counts.rows),
            *shares,
        )


def _share(part: int, whole: int) -> str:
    return f"{part / whole:.4f}" if whole else ""


def as_csv(rows: Sequence[tuple[str, ...]]) -> str:
    """The dictionary as CSV, safe in a spreadsheet."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(HEADINGS)
    writer.writerows([cell(text) for text in row] for row in rows)
    return out.getvalue()


_STYLE = """
body{font:15px/1.4 system-ui,sans-serif;margin:1.5rem;color:#1a1a1a;background:#fff}
table{border-collapse:collapse;margin:0 0 2rem;width:100%}
caption{text-align:left;font-weight:600;font-size:1.1rem;padding:.5rem 0}
th,td{border:1px solid #bbb;padding:.2rem .45rem;text-align:left;vertical-align:top}
thead th{position:sticky;top:0;background:#eee;font-size:.85rem}
tbody th{font-weight:400;overflow-wrap:anywhere;min-width:9rem}
td.number{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}
summary{cursor:pointer}
"""
_SHARES = tuple(f"share_{name}" for name in ("missing", *_STATUSES))
_SHOWN = ("label", "type", "unit", "codes", "filled", *_SHARES, "allowed")


def as_html(rows: Sequence[tuple[str, ...]], labels: dict[str, str], about: Sequence[str]) -> str:
    """The dictionary as one page that needs nothing else; ``labels`` are those of the tables by name."""
    links = ", ".join(f'<a href="#{escape(name)}">{escape(name)}</a>' for name in labels)
    parts = [
        '<!doctype html><html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Data dictionary</title><style>{_STYLE}</style></head><body><h1>Data dictionary</h1>",
        *(f"<p>{escape(line)}</p>" for line in about),
        f"<nav><p>Tables: {links}</p></nav>",
    ]
    headings = "".join(f'<th scope="col">{escape(_spoken(name))}</th>' for name in ("column", *_SHOWN))
    for name, label in labels.items():
        own = [dict(zip(HEADINGS, row, strict=True)) for row in rows if row[0] == name]
        count = own[0]["rows"] if own else "0"
        parts.append(f'<table id="{escape(name)}"><caption>{escape(name)}: {escape(label)}; {count} rows</caption>')
        parts.append(f"<thead><tr>{headings}</tr></thead><tbody>")
        parts += [_line(row) for row in own]
        parts.append("</tbody></table>")
    return "\n".join([*parts, "</body></html>", ""])


def _spoken(heading: str) -> str:
    return heading.removeprefix("share_").replace("_", " ")


def _line(row: dict[str, str]) -> str:
    cells = [f'<th scope="row"><code>{escape(row["column"])}</code></th>']
    for name in _SHOWN:
        text = row[name]
        if name == "filled" or name in _SHARES:
            cells.append(f"<td class=number>{escape(text if name == 'filled' else _percent(text))}</td>")
        elif name == "allowed" and text:
            listed = "<br>".join(escape(value) for value in text.split("; "))
            cells.append(f"<td><details><summary>{text.count('; ') + 1} values</summary>{listed}</details></td>")
        elif name == "type" and row["several"]:
            cells.append(f"<td>{escape(text)}, several with ; between</td>")
        else:
            cells.append(f"<td>{escape(text)}</td>")
    return f"<tr>{''.join(cells)}</tr>"


def _percent(share: str) -> str:
    return f"{Decimal(share) * 100:.1f} %" if share else ""
