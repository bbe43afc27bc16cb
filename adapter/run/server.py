"""What a FHIR server holds as an input: its bundles, or the resources of its Bulk Data export, one a line."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Any
from urllib.parse import quote

from adapter.catalogue import Catalogue
from adapter.exam import Identifier
from adapter.fhir.json import dumps, loads
from adapter.read.graph import deleted_by
from adapter.run.inputs import Stream
from adapter.run.work import NotPossible
from adapter.send import FhirClient, ServerRefused, fetch_all_exams, fetch_exam, fetch_exams_of
from adapter.send.rest.bulk import TYPES, Companions, NoExport, export
from adapter.send.rest.capability import read_capability
from adapter.send.target import Target

Say = Callable[[str], None]
_DELETED = "Reports that were deleted on the server since then"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which exams of a server: those with these ids and those of these newborns, where none are named every one of
    ours, or those filed or changed since an instant of FHIR. ``by_search``: without a Bulk Data export; ``group``: by
    the export of the Group with this id alone; ``filters``: searches that narrow an export (``_typeFilter``).
    """

    exams: tuple[str, ...] = ()
    newborns: tuple[Identifier, ...] = ()
    since: str = ""
    by_search: bool = False
    group: str = ""
    filters: tuple[str, ...] = ()

    @property
    def by_export(self) -> bool:
        """Whether it can be told by an export alone."""
        return bool(self.group or self.filters)


def held_by(target: Target, catalogue: Catalogue, wanted: Wanted = Wanted(), say: Say = lambda words: None) -> Stream:
    """Exams of a server, by its Bulk Data export where it has one and every exam is meant, else by searches.

    ``say`` is told which. Reading it raises :class:`NotPossible` where the server holds no such exam, and what its
    client raises.
    """
    return Stream(target.url, _some(_lines(target, catalogue, wanted, say), wanted))


def _some(lines: Iterator[bytes], wanted: Wanted) -> Iterator[bytes]:
    count = 0
    for count, line in enumerate(lines, start=1):  # noqa: B007 (asked for after the loop)
        yield line
    if not count:
        raise NotPossible(f"the server holds no exam of ours{f' changed since {wanted.since}' * bool(wanted.since)}")


def _lines(target: Target, catalogue: Catalogue, wanted: Wanted, say: Say) -> Iterator[bytes]:
    with target.client() as client:
        if wanted.exams or wanted.newborns:
            named = (fetch_exam(client, catalogue, root) for root in wanted.exams)
            theirs = (bundle for newborn in wanted.newborns for bundle in fetch_exams_of(client, catalogue, newborn))
            yield from _as_lines(chain(named, theirs))
            return
        place = f"Group/{quote(wanted.group, safe='')}/$export" if wanted.group else ""
        if place := place or ("" if wanted.by_search else _place(client)):
            try:
                yield from _exported(client, catalogue, place, wanted, say)
                say("Read from a Bulk Data export of the server.")
                return
            except NoExport as refused:
                if wanted.by_export:
                    raise NotPossible(f"the server makes no such export: {refused}") from None
                say(f"The server makes no Bulk Data export of this ({refused}); its exams are searched.")
        if wanted.by_export:
            raise NotPossible("the server offers no Bulk Data export; without --type-filter its exams are searched")
        yield from _as_lines(fetch_all_exams(client, catalogue, since=wanted.since))


def _as_lines(bundles: Iterator[dict[str, Any] | None]) -> Iterator[bytes]:
    for bundle in bundles:
        if bundle is None:
            raise NotPossible("the server holds no such exam")
        yield dumps(bundle) + b"\n"


def _place(client: FhirClient) -> str:
    """The export that the server offers; empty where it offers none or does not say what it can."""
    try:
        return read_capability(client.capabilities()).export
    except ServerRefused:
        return ""


def _reports(lines: Iterator[bytes], deleted: list[str]) -> Iterator[dict[str, Any]]:
    """The resources, and into ``deleted`` what is said to be deleted."""
    for line in lines:
        resource = loads(line)
        gone = deleted_by(resource)
        if gone is None:
            yield resource
        else:
            deleted += gone


def _exported(client: FhirClient, catalogue: Catalogue, place: str, wanted: Wanted, say: Say) -> Iterator[bytes]:
    """All that the export has of us, and what its exams refer to besides. Of an export of changes the reports alone
    are taken: an exam that changed is read whole, since most of its Observations need not have changed with it. Which
    were deleted there is said: nobody can tell any more whether they were exams of ours."""
    if wanted.since:
        of_reports = [one for one in wanted.filters if one.startswith("DiagnosticReport?")]
        lines = export(client, place, ("DiagnosticReport",), wanted.since, of_reports)
        deleted: list[str] = []
        yield from _as_lines(fetch_all_exams(client, catalogue, _reports(lines, deleted)))
        if deleted:
            say(f"{_DELETED}: {', '.join(sorted(set(deleted)))}. Extracts from before may hold them.")
        return
    with Companions(catalogue.identifier_system("exam")) as companions:
        for line in export(client, place, TYPES, "", wanted.filters):
            companions.see(line)
            yield line + b"\n"
        for name in companions.missing():
            try:
                yield dumps(client.read(*name.split("/", 1))) + b"\n"
            except ServerRefused as refused:
                if not refused.says(404, 410):
                    raise
                raise NotPossible(f"exams of the export refer to {name}, which is neither in it nor there") from None
