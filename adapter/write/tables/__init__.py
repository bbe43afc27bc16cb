"""Exams as tables for research: typed columns and pure rows, then Parquet, CSV and a data dictionary.

Every table travels by its name: another process loads the catalogue and asks ``TABLES[name].rows(exam, catalogue)``.
"""

from __future__ import annotations

from adapter.write.tables import components, exams, findings, newborns, tellings, tells
from adapter.write.tables.column import Column, Row, Table, Type
from adapter.write.tables.tabled import TabledExam

TABLES: dict[str, Table] = {
    "exams": Table("exams", "One row per exam, wide", exams.columns, exams.rows),
    "findings": Table("findings", "One row per finding, long", findings.columns, findings.rows),
    "components": Table(
        "components", "One row a number of several, or a sign of a score", components.columns, components.rows
    ),
    "newborns": Table("newborns", "One row a newborn", newborns.columns, newborns.rows, unique="newborn_id"),
    "tells": Table("tells", "One row a line of the tell list", tells.columns, tells.rows),
    "tellings": Table("tellings", "One row a telling: who was told of a line", tellings.columns, tellings.rows),
}

__all__ = ["TABLES", "Column", "Row", "Table", "TabledExam", "Type"]
