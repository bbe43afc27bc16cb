"""What the page takes from the store: newborns, a page at a time, and one newborn with everything around her."""

from __future__ import annotations

from dataclasses import dataclass

from adapter.fhir.json import Json
from adapter.sandbox.dates import EARLIEST, span
from adapter.sandbox.include import Include, included
from adapter.sandbox.parameters import PARAMETERS
from adapter.sandbox.search import parse
from adapter.sandbox.store import Session, Version

PAGE = 100
_ALL = 1_000_000


@dataclass(frozen=True, slots=True)
class ShownRow:
    """A newborn in the list: the Patient, and her reports, the newest first."""

    patient: Json
    reports: tuple[Json, ...]


@dataclass(frozen=True, slots=True)
class ShownNewborn:
    """A newborn, her exams (each report with all that it leads to), and Observations that belong to none."""

    patient: Json
    exams: tuple[tuple[Json, tuple[Json, ...]], ...]
    others: tuple[Json, ...]


def newborns(session: Session, after: int) -> tuple[list[ShownRow], int | None]:
    """A page of newborns in the order in which they came, and where the next page begins, if there is one."""
    query = parse("Patient", [])
    _, page = session.page("Patient", (query.sql, query.arguments), [], (after,), PAGE + 1)
    rows = [ShownRow(v.resource, tuple(_bodies(_reports(session, v.id)))) for _, v in page[:PAGE] if v.resource]
    return rows, page[PAGE - 1][0][-1] if len(page) > PAGE else None


def newborn(session: Session, id_: str) -> ShownNewborn | None:
    """One newborn, or None where there is none of this id."""
    patient = session.current("Patient", id_)
    if patient is None or patient.resource is None:
        return None
    exams, seen = [], set()
    for report in _reports(session, id_):
        around = included(session, [report], _AROUND, "")
        seen |= {version.id for version in around if version.type == "Observation"}
        if report.resource is not None:
            exams.append((report.resource, tuple(_bodies(around))))
    others = [v for v in _of(session, "Observation", id_) if v.id not in seen]
    return ShownNewborn(patient.resource, tuple(exams), tuple(_bodies(others)))


def _reports(session: Session, id_: str) -> list[Version]:
    return _of(session, "DiagnosticReport", id_)


def _of(session: Session, type_: str, id_: str) -> list[Version]:
    """A newborn's resources of one type, the latest first."""
    query = parse(type_, [("patient", id_)])
    _, page = session.page(type_, (query.sql, query.arguments), [], (), _ALL)
    return sorted((version for _, version in page), key=_effective, reverse=True)


def _effective(version: Version) -> int:
    resource = version.resource or {}
    period = resource.get("effectivePeriod", {})
    text = resource.get("effectiveDateTime") or period.get("start") or period.get("end") or ""
    try:
        return span(text)[0]
    except ValueError:
        return EARLIEST


def _bodies(versions: list[Version]) -> list[Json]:
    return [version.resource for version in versions if version.resource is not None]


def _along(type_: str, parameter: str, *, reverse: bool = False) -> Include:
    return Include(type_, PARAMETERS[type_][parameter], iterate=True, reverse=reverse)


# Everything that belongs to an exam, from its report on.
_AROUND = (
    *(_along("DiagnosticReport", p) for p in ("result", "subject", "encounter", "performer")),
    _along("Observation", "has-member"),
    _along("Provenance", "target", reverse=True),
    _along("Provenance", "agent"),
    _along("RelatedPerson", "patient", reverse=True),
)
