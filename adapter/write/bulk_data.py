"""FHIR Bulk Data as files: NDJSON, one resource type a file, and the manifest.

After HL7 Bulk Data Access (Flat FHIR): "File Requests" (NDJSON, one resource a line, one type a file) and "Response -
Complete Status" (the manifest: ``transactionTime``, ``request``, ``requiresAccessToken``, ``output``, ``error``).
Version 4.0.0-ballot leaves ``request`` out, calls ``error`` ``outcome`` and adds ``manifestType``; both manifests are
written. There is no server: the URLs are relative to the manifest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import Identity, by_id, to_resources, with_id
from adapter.fhir.json import dumps
from adapter.files.dedupe import Dedupe
from adapter.write.deidentify.dates import undated

MANIFEST_TYPE = "http://hl7.org/fhir/uv/bulkdata/StructureDefinition/BulkDataManifest"


@dataclass(frozen=True, slots=True)
class NdjsonLine:
    """A resource as a line of its type's file. ``shared``: its id, where it is not this exam's alone."""

    type: str
    shared: str
    content: bytes


def lines_of(exam: Exam, catalogue: Catalogue, *, dated: bool = True) -> Iterator[NdjsonLine]:
    """The resources of one exam; not ``dated``: with the year of birth, and distances from birth for all times."""
    patient = f"Patient/{Identity(exam, catalogue).patient().uuid}"
    for resource in to_resources(exam, catalogue, by_id):
        name, content = resource.name, with_id(resource)
        if not dated:
            content = undated(content, exam.newborn.birth_time, patient)
        yield NdjsonLine(name.resource_type, "" if resource.owned else name.uuid, dumps(content) + b"\n")


class BulkDataFiles:
    """The NDJSON files of a folder as they are written; the manifests are written at the end."""

    def __init__(self, folder: Path, catalogue: Catalogue) -> None:
        self._folder, self._catalogue = folder, catalogue
        self._files: dict[str, IO[bytes]] = {}
        self._shared = Dedupe()
        self._began = datetime.now(UTC).replace(microsecond=0)
        self.counts: Counter[str] = Counter()

    def add(self, exam: Exam, *, dated: bool = True) -> None:
        """Add the resources of one exam; see :func:`lines_of`."""
        for line in lines_of(exam, self._catalogue, dated=dated):
            self.add_line(line)

    def add_line(self, line: NdjsonLine) -> None:
        """Add a resource; what several exams share (Patient, Practitioner, Device) stands once."""
        if line.shared and not self._shared.new(line.shared):
            return
        if line.type not in self._files:
            self._files[line.type] = (self._folder / f"{line.type}.ndjson").open("wb")
        self._files[line.type].write(line.content)
        self.counts[line.type] += 1

    def abandon(self) -> None:
        """Let go of the files, which are not whole."""
        self._shared.close()
        for file in self._files.values():
            file.close()

    def close(self) -> None:
        """Finish the files and write both manifests."""
        self.abandon()
        output = [{"type": t, "url": f"{t}.ndjson", "count": self.counts[t]} for t in sorted(self._files)]
        began = self._began.isoformat().replace("+00:00", "Z")
        head = {"transactionTime": began, "request": "newborn-adapter:extract", "requiresAccessToken": False}
        manifest = {**head, "output": output, "error": []}
        (self._folder / "manifest.json").write_bytes(dumps(manifest, pretty=True) + b"\n")
        newer = {"manifestType": MANIFEST_TYPE, "transactionTime": began, "requiresAccessToken": False}
        newer |= {"outputFormat": "application/fhir+ndjson", "output": output, "outcome": []}
        (self._folder / "manifest-4.0.0-ballot.json").write_bytes(dumps(newer, pretty=True) + b"\n")
