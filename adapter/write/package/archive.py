"""An npm-style FHIR package: its files, and the archive, the same bytes each time.

FHIR packages (hl7.org/fhir/packages.html): a gzipped tar with a folder ``package`` that holds ``package.json``,
``.index.json`` and a resource a file; examples in a folder below it, with an index of their own.
"""

from __future__ import annotations

import gzip
import io
import json
import tarfile
from collections.abc import Mapping

from adapter.catalogue import Catalogue
from adapter.fhir.json import Json, dumps
from adapter.write.package.names import package_version, publisher

SDC = "4.0.0"
"""The version of HL7 Structured Data Capture whose extensions the Questionnaires use."""

_INDEXED = ("resourceType", "id", "url", "version", "kind", "type")


def files_of(resources: list[Json], examples: list[Json], catalogue: Catalogue) -> dict[str, bytes]:
    """The files of the package by name, sorted."""
    found = {"package/package.json": _plain(_manifest(catalogue))}
    found |= _folder("package", resources)
    found |= _folder("package/example", examples)
    return dict(sorted(found.items()))


def archived(files: Mapping[str, bytes]) -> bytes:
    """The files as ``.tgz``: no clock, no owner, in the order of their names."""
    out = io.BytesIO()
    with (
        gzip.GzipFile(fileobj=out, mode="wb", filename="", mtime=0) as zipped,
        tarfile.open(fileobj=zipped, mode="w", format=tarfile.USTAR_FORMAT) as archive,
    ):
        for name, content in sorted(files.items()):
            member = tarfile.TarInfo(name)
            member.size, member.mode, member.mtime = len(content), 0o644, 0
            archive.addfile(member, io.BytesIO(content))
    return out.getvalue()


def _folder(folder: str, resources: list[Json]) -> dict[str, bytes]:
    files = {f"{resource['resourceType']}-{resource['id']}.json": resource for resource in resources}
    assert len(files) == len(resources), "two resources have one name"
    index = {
        "index-version": 1,
        "files": [
            {"filename": name, **{key: resource[key] for key in _INDEXED if isinstance(resource.get(key), str)}}
            for name, resource in sorted(files.items())
        ],
    }
    found = {f"{folder}/{name}": dumps(resource, pretty=True) + b"\n" for name, resource in files.items()}
    return {**found, f"{folder}/.index.json": _plain(index)}


def _manifest(catalogue: Catalogue) -> Json:
    settings = catalogue.settings
    draft = settings.publication.status == "draft"
    return {
        "name": settings.package,
        "version": package_version(catalogue),
        "type": "Conformance",
        "canonical": settings.canonical,
        "url": settings.canonical,
        "title": "Terminology and profiles of newborn examinations",
        "description": (
            "Code systems, value sets, concept maps, profiles, extensions and questionnaires of the newborn exam "
            f"adapter. {'Drafts that no clinician and no terminologist has signed. ' if draft else ''}"
            "Names LOINC and SNOMED CT codes, whose own licences hold."
        ),
        "fhirVersions": ["4.0.1"],
        "dependencies": {"hl7.fhir.r4.core": "4.0.1", "hl7.fhir.uv.sdc": SDC},
        "author": publisher(catalogue),
        "license": "not-open-source",
        "directories": {"lib": "package", "example": "example"},
    }


def _plain(content: Json) -> bytes:
    return json.dumps(content, indent=2, ensure_ascii=False).encode() + b"\n"
