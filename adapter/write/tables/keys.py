"""Which columns tell a row of each table from every other, and which lead to a row of another table."""

from __future__ import annotations

from collections.abc import Container

KEYS: dict[str, tuple[str, ...]] = {
    "exams": ("exam_id",),
    "findings": ("exam_id", "finding_id"),
    "components": ("exam_id", "finding_id", "component"),
    "newborns": ("newborn_id",),
    "tells": ("exam_id", "line"),
    "tellings": ("exam_id", "telling"),
}
"""By table the columns of its primary key."""

_LEADS: dict[str, tuple[tuple[str, ...], str]] = {
    "exams": (("newborn_id",), "newborns"),
    "findings": (("exam_id",), "exams"),
    "components": (("exam_id", "finding_id"), "findings"),
    "tells": (("exam_id",), "exams"),
    "tellings": (("exam_id",), "exams"),
}


def leads(name: str, present: Container[str]) -> tuple[tuple[str, ...], str] | None:
    """The columns of a table that lead to another one, and that; None where it is not among those present."""
    found = _LEADS.get(name)
    return found if found is not None and found[1] in present else None
