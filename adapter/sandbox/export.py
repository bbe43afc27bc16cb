"""The operation ``$export`` of the whole server (HL7 FHIR Bulk Data Access 2.0.0), made at once and kept in memory.

A request is answered with 202 and the address of its state, that with 202 the first time and with the manifest from
then on. What is asked for is a snapshot: files hold what was here at ``transactionTime``.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from adapter.fhir.json import dumps
from adapter.sandbox.dates import span
from adapter.sandbox.parameters import PARAMETERS
from adapter.sandbox.refusal import Refusal
from adapter.sandbox.store import Store

DEFINITION = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export"
MEDIA_TYPE = "application/fhir+ndjson"
_FORMATS = (MEDIA_TYPE, "application/ndjson", "ndjson")
_KNOWN = ("_type", "_since", "_outputFormat")
_MOST = 4


@dataclass(slots=True)
class _Job:
    request: str
    moment: str
    files: dict[str, bytes]
    asked: int = field(default=0)


class Exports:
    """The last exports that were asked for, by their name; an older one is forgotten for a new one."""

    def __init__(self) -> None:
        self._jobs: OrderedDict[str, _Job] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, store: Store, request: str, query: Sequence[tuple[str, str]], *, lenient: bool) -> str:
        """The name of a new export. Raises :class:`Refusal` for parameters that are not known or not right."""
        unknown = sorted({name for name, _ in query} - {*_KNOWN, "_format"})
        if unknown and not lenient:
            raise Refusal(400, "not-supported", f"$export takes {', '.join(_KNOWN)} here, not {', '.join(unknown)}")
        said = dict(query)
        if said.get("_outputFormat", MEDIA_TYPE).replace(" ", "+") not in _FORMATS:
            raise Refusal(400, "not-supported", f"the output format is {MEDIA_TYPE}")
        types = [name for key, value in query if key == "_type" for name in value.split(",") if name]
        if wrong := [name for name in types if name not in PARAMETERS]:
            raise Refusal(400, "not-supported", f"there is no {', '.join(wrong)} here")
        since = _since(said["_since"].replace(" ", "+")) if "_since" in said else 0
        moment = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        with store.session() as session:
            lines = {type_: session.changed(type_, since) for type_ in types or PARAMETERS}
            files = {type_: b"".join(dumps(one) + b"\n" for one in found) for type_, found in lines.items()}
        name = secrets.token_urlsafe(12)
        with self._lock:
            self._jobs[name] = _Job(request, moment, {type_: content for type_, content in files.items() if content})
            while len(self._jobs) > _MOST:
                self._jobs.popitem(last=False)
        return name

    def manifest(self, name: str, place: str, *, tokens: bool) -> dict[str, Any] | None:
        """The manifest, its files below ``place``; None the first time, while it is as if it were being made."""
        job = self._job(name)
        job.asked += 1
        if job.asked == 1:
            return None
        output = [
            {"type": type_, "url": f"{place}/{type_}.ndjson", "count": content.count(b"\n")}
            for type_, content in job.files.items()
        ]
        head = {"transactionTime": job.moment, "request": job.request, "requiresAccessToken": tokens}
        return {**head, "output": output, "error": []}

    def file(self, name: str, type_: str) -> bytes:
        """The lines of one type."""
        files: Mapping[str, bytes] = self._job(name).files
        if type_ not in files:
            raise Refusal(404, "not-found", "the export has no such file")
        return files[type_]

    def forget(self, name: str) -> None:
        """Delete an export and its files."""
        self._job(name)
        with self._lock:
            self._jobs.pop(name, None)

    def _job(self, name: str) -> _Job:
        found = self._jobs.get(name)
        if found is None:
            raise Refusal(404, "not-found", "there is no such export; the last ones alone are kept")
        return found


def _since(text: str) -> int:
    try:
        return span(text)[0]
    except ValueError:
        raise Refusal(400, "value", "_since is an instant, such as 2026-11-28T08:00:00Z") from None
