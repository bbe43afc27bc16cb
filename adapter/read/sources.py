"""Exams of any input of ours: capture files, FHIR bundles (JSON, XML, NDJSON), and NDJSON of one resource a line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue
from adapter.fhir.json import FhirJsonError, loads
from adapter.fhir.xml import FhirXmlError, from_xml
from adapter.problems import Layer, Problem, Severity
from adapter.read import NotReadable, Reading, check_exam, from_bundle, read_captures

MOST_BYTES = 64 * 1024 * 1024
"""The largest document or line that is read; as for capture files."""

_HEAD = 4096
_NDJSON_NAMES = (".ndjson", ".jsonl")

Json = dict[str, Any]


def read_exams(paths: Iterable[Path], catalogue: Catalogue) -> Iterator[Reading]:
    """Every exam of the files, each with all its problems; never raises for what a file holds.

    Which kind a file is, is told by its content. NDJSON of bundles and of capture records is read line by line.
    Resources that stand alone, one a line, as a Bulk Data export has them, are gathered from all files, since an exam
    lies spread over them: these are held in memory.
    """
    loose: list[Json] = []
    for path in paths:
        yield from _file(path, catalogue, loose)
    if loose:
        bundles = exams_apart(loose, catalogue)
        for bundle in bundles:
            yield from readings_of(bundle, catalogue, "NDJSON by resource type")
        if not bundles:
            what, remedy = "hold no exam of ours", "all files of the export, DiagnosticReport.ndjson among them"
            yield _refused("the resources that stand alone", "no-exam", what, remedy)


def readings_of(bundle: Json, catalogue: Catalogue, name: str) -> Iterator[Reading]:
    """The exams of one bundle."""
    try:
        exams = from_bundle(bundle, catalogue)
    except NotReadable as error:
        yield _refused(name, "not-readable", str(error), "a bundle that this adapter wrote, at this site")
        return
    except (AttributeError, KeyError, TypeError):  # not even the shape of a Bundle
        yield _refused(name, "not-fhir", "is no FHIR Bundle", "a bundle that this adapter wrote; see validate")
        return
    if not exams:
        what, remedy = "holds no exam of ours", "a bundle with the DiagnosticReport of an exam, written at this site"
        yield _refused(name, "no-exam", what, remedy)
    for exam in exams:
        yield Reading(exam, tuple(check_exam(exam, catalogue)), name)


def _file(path: Path, catalogue: Catalogue, loose: list[Json]) -> Iterator[Reading]:
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD).removeprefix(b"\xef\xbb\xbf").lstrip()
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}"
        yield _refused(str(path), "cannot-read", what, "a file that exists and may be read")
        return
    if head.startswith(b"<") or b'"resourceType"' in head:
        yield from _fhir(path, head, catalogue, loose)
    elif not (path.name.startswith("manifest") and b'"transactionTime"' in head):
        yield from read_captures(path, catalogue)


def _fhir(path: Path, head: bytes, catalogue: Catalogue, loose: list[Json]) -> Iterator[Reading]:
    one_a_line = path.suffix.lower() in _NDJSON_NAMES or (head.startswith(b"{") and b'}\n{"resourceType"' in head)
    with path.open("rb") as file:
        pieces = enumerate(iter(lambda: file.readline(MOST_BYTES + 1), b""), 1) if one_a_line else ((0, file.read()),)
        for line, data in pieces:
            name = f"{path}, line {line}" if line else str(path)
            if len(data) > MOST_BYTES and line:
                yield _refused(name, "too-large", "is larger than 64 MB", "one resource a line")
                return
            if not data.strip():
                continue
            try:
                resource = from_xml(data) if data.lstrip().startswith(b"<") else loads(data)
            except (FhirJsonError, FhirXmlError) as error:
                yield _refused(name, "not-fhir", str(error), "FHIR R4 in JSON, NDJSON or XML")
                continue
            if isinstance(resource, dict) and resource.get("resourceType") == "Bundle":
                yield from readings_of(resource, catalogue, name)
            elif isinstance(resource, dict):
                loose.append(resource)


def exams_apart(resources: list[Json], catalogue: Catalogue) -> list[Json]:
    """A collection Bundle for each exam of ours, out of resources that refer to each other as ``Type/id``."""
    system = catalogue.identifier_system("exam")
    found: list[Json] = []
    by_key = {f"{r.get('resourceType')}/{r.get('id')}": r for r in resources}
    places = {key: place for place, key in enumerate(by_key)}
    provenances: dict[str, list[str]] = {}
    relatives: dict[str, list[str]] = {}
    for key, resource in by_key.items():
        for target in resource.get("target", []) if key.startswith("Provenance/") else ():
            provenances.setdefault(target.get("reference", ""), []).append(key)
        if key.startswith("RelatedPerson/"):
            relatives.setdefault(resource.get("patient", {}).get("reference", ""), []).append(key)
    for key, resource in by_key.items():
        own = any(i.get("system") == system for i in resource.get("identifier", []))
        if key.startswith("DiagnosticReport/") and own:
            panels = [by_key[k] for k in _references(resource.get("result", [])) if k in by_key]
            members = {k for panel in panels for k in _references(panel.get("hasMember", []))}
            subject = resource.get("subject", {}).get("reference", "")
            about = {*_references(resource.get("result", [])), *provenances.get(key, ()), *relatives.get(subject, ())}
            about |= {key, subject, *_references([resource.get("encounter", {}), *resource.get("performer", [])])}
            for provenance in provenances.get(key, ()):
                about |= set(_references(agent.get("who", {}) for agent in by_key[provenance].get("agent", [])))
            # In the order given: an exam's findings are read in the order of their Observations.
            wanted = sorted((members | about) & places.keys(), key=places.__getitem__)
            entries = [{"fullUrl": k, "resource": by_key[k]} for k in wanted]
            found.append({"resourceType": "Bundle", "type": "collection", "entry": entries})
    return found


def _references(references: Iterable[Json]) -> list[str]:
    return [str(reference["reference"]) for reference in references if "reference" in reference]


def _refused(name: str, rule: str, what: str, remedy: str) -> Reading:
    return Reading(None, (Problem(Severity.ERROR, Layer.CAPTURE, rule, what, remedy, file=name),), name)
