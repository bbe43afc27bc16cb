"""A Bulk Data export of a server: asked for, waited for, fetched and cleared away.

HL7 FHIR Bulk Data Access (Flat FHIR) 2.0.0, "Bulk Data Kick-off Request", "Bulk Data Status Request", "Bulk Data
Output File Request", "Bulk Data Delete Request"; the asynchronous pattern of RFC 7240, section 4.1. Links of a
manifest to further ones are those of 3.0.0.

- The addresses of the state and of further manifests are on the server itself, or nothing is asked there.
- A file on another server is fetched without our token and without our certificate; one that would need a token is
  refused, and so is one on this machine that another machine names, or plain http to another one unless that is
  allowed.
- What was deleted there (``deleted``) comes as Bundles of deletions, after the resources of its manifest.
- An export with errors, or a file with fewer lines than its manifest counts, is none: an extract is never a part.
"""

from __future__ import annotations

import re
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import suppress
from time import monotonic, sleep
from types import TracebackType
from typing import IO, Any

import httpx

from adapter.fhir.json import FhirJsonError, loads
from adapter.problems import Problem
from adapter.read.graph import deleted_by
from adapter.send.address import origin
from adapter.send.failures import Unreachable, problem
from adapter.send.rest import answers
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.client import FhirClient
from adapter.send.rest.fetch import named_by

TYPES = (
    "Patient",
    "RelatedPerson",
    "Practitioner",
    "Encounter",
    "Device",
    "DiagnosticReport",
    "Observation",
    "Provenance",
    "Communication",
)
"""The resource types that an exam is read from."""

_LONGEST_LINE = 64 * 1024 * 1024
_MOST_MANIFESTS = 1000
_TRIES = 3
_BUSY = (429, 502, 503, 504)
_FIRST_PAUSE, _LONGEST_PAUSE, _HEED = 0.5, 30.0, 600.0


class NoExport(ServerRefused):
    """The server does not make the export that was asked for, though it says that it can: 4xx to the request."""


def export(
    client: FhirClient, place: str, types: Sequence[str], since: str = "", filters: Sequence[str] = ()
) -> Iterator[bytes]:
    """The resources of these types as lines of NDJSON, without their line ends, and Bundles of what was deleted
    (:func:`adapter.read.graph.deleted_by`).

    ``place`` is the operation below the base (:attr:`adapter.send.rest.capability.Capability.export`); ``since`` an
    instant of FHIR: only what changed after it; ``filters`` are searches, such as ``Observation?status=final``: of
    their types only what one of them finds (``_typeFilter``). All files are fetched before the export is deleted on
    the server; on this disk there is one at a time. Raises :class:`NoExport` before the first line, and what the
    client raises.
    """
    job = _asked_for(client, place, types, since, filters)
    try:
        for manifest in _manifests(client, job):
            _without_errors(client, manifest)
            known = manifest.get("requiresAccessToken") is True
            for file in answers.objects(manifest.get("output")):
                if answers.text(file, "type") in ("", *types):
                    yield from _lines_of(client, file, known=known)
            for file in answers.objects(manifest.get("deleted")):
                for line in _lines_of(client, file, known=known):
                    if deleted_by(_read(line)) is None:
                        what = "a file of deletions holds something else than Bundles of them"
                        raise ServerRefused(200, [problem("bulk-data", what, "a search instead: --by-search")])
                    yield line
    finally:
        # What is left on the server ends by itself: an export that was read is whole all the same.
        with suppress(ServerRefused, Unreachable):
            client.ask("DELETE", job)


def _asked_for(client: FhirClient, place: str, types: Sequence[str], since: str, filters: Sequence[str]) -> httpx.URL:
    """Where the state of the export can be asked for."""
    params = [("_outputFormat", "application/fhir+ndjson"), ("_type", ",".join(types))]
    params += [("_since", since)] if since else []
    params += [("_typeFilter", one) for one in filters]
    url = httpx.URL(f"{client.base_url}/{place}", params=params)
    try:
        response, _ = client.ask("GET", url, {"Accept": "application/fhir+json", "Prefer": "respond-async"})
    except ServerRefused as refused:
        if refused.status == 501 or (400 <= refused.status < 500 and refused.status not in (401, 408, 429)):
            raise NoExport(refused.status, refused.problems) from None
        raise
    found = response.headers.get("content-location", "")
    if response.status_code != 202 or not found:
        raise NoExport(200, [problem("bulk-data", "the answer to $export is not 202 with Content-Location")])
    return client.own(found)


def _manifests(client: FhirClient, job: httpx.URL) -> Iterator[dict[str, Any]]:
    """The manifest once the export is made, and those that it leads to."""
    url, seen = job, set[str]()
    while len(seen) < _MOST_MANIFESTS:
        seen.add(str(url))
        manifest = _waited_for(client, url)
        yield manifest
        links = (link for link in answers.objects(manifest.get("link")) if link.get("relation") == "next")
        following = answers.text(next(links, {}), "url")
        if not following:
            return
        url = client.own(following)
        if str(url) in seen:
            break
    raise ServerRefused(200, [problem("bulk-data", "the manifests of the export lead in a circle")])


def _waited_for(client: FhirClient, url: httpx.URL) -> dict[str, Any]:
    """The manifest at this address. The server says when to ask again; an error that it calls transient, or 429, is
    asked again too."""
    end, pause = monotonic() + client.times.exam, _FIRST_PAUSE
    while True:
        try:
            response, manifest = client.ask("GET", url, {"Accept": "application/json"})
            asked = answers.seconds_to_wait(
                response.headers.get("retry-after", ""), answers.http_date(response.headers.get("date", ""))
            )
            if response.status_code != 202:
                if not isinstance(manifest.get("output"), list):
                    raise ServerRefused(200, [problem("bulk-data", "the answer is not the manifest of an export")])
                return manifest
        except ServerRefused as refused:
            if refused.status not in _BUSY and not any(one.rule == "transient" for one in refused.problems):
                raise
            asked = refused.retry_after
        wait = pause if asked is None else min(asked, _HEED)
        if monotonic() + wait > end:
            what = f"the export was not made within {client.times.exam:.0f} s"
            raise ServerRefused(202, [problem("bulk-data", what, "timeouts: exam in the target file")])
        sleep(wait)
        pause = min(pause * 2, _LONGEST_PAUSE)


def _without_errors(client: FhirClient, manifest: dict[str, Any]) -> None:
    """Raises :class:`ServerRefused` where the server says that something could not be exported."""
    known, found = manifest.get("requiresAccessToken") is True, list[Problem]()
    for file in [*answers.objects(manifest.get("error")), *answers.objects(manifest.get("outcome"))]:
        for line in _lines_of(client, file, known=known):
            said = answers.problems_of(_read(line))
            found += [one for one in said if one.severity in ("error", "fatal")]
    if found:
        raise ServerRefused(200, found[:20])


def _lines_of(client: FhirClient, file: dict[str, Any], *, known: bool) -> Iterator[bytes]:
    """The lines of a file of the export, once all of it is here."""
    with tempfile.TemporaryFile() as kept:
        _fetched(client, httpx.URL(client.base_url).join(answers.text(file, "url")), kept, known=known)
        counted, said = 0, file.get("count")
        kept.seek(0)
        while line := kept.readline(_LONGEST_LINE + 1):
            if len(line) > _LONGEST_LINE:
                raise ServerRefused(200, [problem("bulk-data", "a line of an exported file has no end")])
            if line.strip():
                if not line.lstrip().startswith(b"{"):
                    raise ServerRefused(200, [_no_lines(file, line)])
                counted += 1
                yield line.rstrip(b"\r\n")
    if isinstance(said, int) and counted < said:
        what = (
            f"a file of {answers.text(file, 'type') or 'resources'} has {counted} lines, the manifest counts {said}"
        )
        raise ServerRefused(200, [problem("bulk-data", what, "the export once more")])


def _no_lines(file: dict[str, Any], line: bytes) -> Problem:
    """That a file holds something else than resources in JSON, a line each."""
    packed = " but gzip, which its answer does not say (Content-Encoding)" if line.startswith(b"\x1f\x8b") else ""
    what = f"a file of {answers.text(file, 'type') or 'resources'} is no NDJSON{packed}"
    return problem("bulk-data", what, "the export once more; or a search instead: --by-search")


def _fetched(client: FhirClient, url: httpx.URL, kept: IO[bytes], *, known: bool) -> None:
    """The file at this address; tried again where it did not come whole."""
    if known and origin(url) != origin(httpx.URL(client.base_url)):
        what = "the export has a file on another server that asks for a token; ours is meant for this one"
        raise ServerRefused(200, [problem("bulk-data", what, "a search instead: --by-search")])
    for attempt in range(1, _TRIES + 1):
        kept.seek(0)
        kept.truncate()
        try:
            client.download(url, kept, known=known)
            return
        except Unreachable:
            if attempt == _TRIES:
                raise
        except ServerRefused as refused:
            if attempt == _TRIES or refused.status not in (500, *_BUSY):
                raise
            sleep(min(refused.retry_after or _FIRST_PAUSE, _HEED))


def _read(line: bytes) -> dict[str, Any]:
    try:
        return answers.object_(loads(line))
    except FhirJsonError:
        return {}


class Companions:
    """People, places and devices of exams: those that the lines of an export refer to, and those that came with it.

    An export of patients alone need not have them. Which they are is in a temporary file of SQLite.
    """

    def __init__(self, exam_system: str) -> None:
        self._system = exam_system
        self._base = sqlite3.connect("")
        self._base.executescript(_TABLES)

    def __enter__(self) -> Companions:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._base.close()

    def see(self, line: bytes) -> None:
        """Another line."""
        if _OBSERVATION.match(line):
            return
        resource = _read(line)
        type_, key = answers.text(resource, "resourceType"), f"{resource.get('resourceType')}/{resource.get('id')}"
        if type_ == "DiagnosticReport":
            identifiers = answers.objects(resource.get("identifier"))
            if any(one.get("system") == self._system for one in identifiers):
                self._note("ours", key)
                contained = answers.objects(resource.get("contained"))
                self._of([{"reference": key}], named_by(resource, contained, []))
        elif type_ == "Bundle":
            gone = [(name,) for name in deleted_by(resource) or ()]
            self._base.executemany("delete from ours where name = ?", gone)
        elif type_ == "Provenance":
            self._of(resource.get("target"), named_by({}, [resource], []))
        elif type_ == "Communication":
            self._of(resource.get("about"), named_by({}, [], [resource]))
            self._note("came", key)
        else:
            self._note("came", key)

    def _note(self, table: str, name: str) -> None:
        self._base.execute(f"insert or ignore into {table} values (?)", (name,))  # noqa: S608 (two names of ours)

    def _of(self, targets: Any, named: set[str]) -> None:
        pairs = [(answers.text(target, "reference"), name) for target in answers.objects(targets) for name in named]
        self._base.executemany("insert or ignore into wanted values (?, ?)", pairs)

    def missing(self) -> list[str]:
        """``Type/id`` of what has to be read by itself."""
        return [name for (name,) in self._base.execute(_MISSING)]


_TABLES = """
create table came (name text primary key) without rowid;
create table ours (name text primary key) without rowid;
create table wanted (target text, name text, primary key (target, name)) without rowid;
"""
_MISSING = """
select distinct name from wanted where target in (select name from ours) and name not in (select name from came)
order by name
"""
_OBSERVATION = re.compile(rb'\s*\{\s*"resourceType"\s*:\s*"Observation"')
