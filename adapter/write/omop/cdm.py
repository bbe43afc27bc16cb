"""The tables of the OMOP Common Data Model 5.4 that exams fill: fields, types, what is required, longest texts.

The facts are those of the CDM 5.4 documentation (OHDSI CommonDataModel, ``OMOP_CDMv5.4_Field_Level.csv``); they stand
in ``mappings/omop/fields.csv``.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from adapter.catalogue.files import mappings
from adapter.problems import AdapterError
from adapter.write.tables.column import Column, Row, Type

_TYPES = {"integer": Type.INTEGER, "float": Type.DECIMAL, "date": Type.DATE, "datetime": Type.LOCAL}
_TEXT = re.compile(r"varchar\((\d+|max)\)", re.IGNORECASE)


class TooLong(AdapterError, ValueError):
    """A text is longer than its field may be; nothing is ever cut off."""


@dataclass(frozen=True, slots=True)
class CdmTable:
    """One table: its columns, the required ones, and the most characters of each text."""

    name: str
    columns: tuple[Column, ...]
    required: frozenset[str]
    longest: dict[str, int]

    def row(self, cells: dict[str, Any]) -> Row:
        """The cells in the order of the fields.

        Raises KeyError for a field that the table does not have, ValueError where a required one is missing, and
        :class:`TooLong`.
        """
        unknown = cells.keys() - {column.name for column in self.columns}
        if unknown:
            raise KeyError(f"{self.name} has no field {', '.join(sorted(unknown))}")
        for name in self.required:
            if cells.get(name) is None:
                raise ValueError(f"{self.name}.{name} is required")
        for name, most in self.longest.items():
            if len(cells.get(name) or "") > most:
                raise TooLong(f"{self.name}.{name} takes {most} characters")
        return tuple(cells.get(column.name) for column in self.columns)


@cache
def cdm() -> dict[str, CdmTable]:
    """The tables by name."""
    fields: dict[str, list[dict[str, str]]] = {}
    text = (mappings() / "omop" / "fields.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        fields.setdefault(row["table"], []).append(row)
    return {name: _table(name, rows) for name, rows in fields.items()}


def _table(name: str, rows: list[dict[str, str]]) -> CdmTable:
    limits = {row["field"]: found[1] for row in rows if (found := _TEXT.fullmatch(row["type"]))}
    columns = tuple(Column(row["field"], _TYPES.get(row["type"], Type.TEXT), row["field"]) for row in rows)
    required = frozenset(row["field"] for row in rows if row["required"] == "yes")
    return CdmTable(name, columns, required, {field: int(most) for field, most in limits.items() if most.isdigit()})
