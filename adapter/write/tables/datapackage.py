"""The tables as a Data Package (Frictionless Data Package and Table Schema, version 1): ``datapackage.json``.

With it R, Python and others load each column by its type, with its label, its allowed values and its keys.
Source: specs.frictionlessdata.io, Data Package, Tabular Data Resource, Table Schema, all of version 1.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from adapter import SOFTWARE_VERSION
from adapter.catalogue import Catalogue
from adapter.fhir.json import Json, dumps
from adapter.write.tables import TABLES, Column, Type
from adapter.write.tables.keys import KEYS, leads
from adapter.write.tables.labels import FOR_SPSS
from adapter.write.tables.sqlite import DATABASE

_TYPES = {
    Type.TEXT: "string",
    Type.INTEGER: "integer",
    Type.DECIMAL: "number",
    Type.BOOLEAN: "boolean",
    Type.INSTANT: "datetime",
    Type.DATE: "date",
    Type.LOCAL: "datetime",
}
_MEDIA = {
    "csv": "text/csv",
    "parquet": "application/vnd.apache.parquet",
    "sqlite": "application/vnd.sqlite3",
}


def write_datapackage(folder: Path, catalogue: Catalogue, names: Iterable[str]) -> None:
    """``datapackage.json`` of the tables in a folder, CSV, Parquet (in parts too) or SQLite as they lie there."""
    present = tuple(names)
    content = {
        "profile": "data-package",
        "name": "newborn-exams",
        "title": "Newborn examinations",
        "version": catalogue.settings.version,
        "description": (
            f"Made by {SOFTWARE_VERSION}. An empty cell is never a normal finding; findings as "
            "recorded, judged by this site's ranges and rules: not diagnoses."
        ),
        "resources": [
            *(_resource(folder, name, catalogue, present) for name in present),
            *(_for_spss(name, catalogue) for name in present if (folder / f"{name}{FOR_SPSS}").is_file()),
        ],
    }
    (folder / "datapackage.json").write_bytes(dumps(content, pretty=True) + b"\n")


def _resource(folder: Path, name: str, catalogue: Catalogue, present: tuple[str, ...]) -> Json:
    files = (f"{name}.csv", f"{name}.parquet", DATABASE)
    single = next((file for file in files if (folder / file).is_file()), "")
    parts = sorted(f"{name}/{path.name}" for path in (folder / name).glob("part-*")) if not single else []
    encoding = (single or parts[0]).rpartition(".")[2]
    keys: Json = {"primaryKey": list(KEYS[name])}
    if (found := leads(name, present)) is not None:
        fields, target = found
        reference = {"resource": target, "fields": list(fields)}
        keys["foreignKeys"] = [{"fields": list(fields), "reference": reference}]
    schema = {"fields": [_field(column) for column in TABLES[name].columns(catalogue)], "missingValues": [""]}
    return {
        "name": name,
        "title": TABLES[name].label,
        "path": single or parts,
        "profile": "tabular-data-resource" if encoding == "csv" else "data-resource",
        "format": encoding,
        "mediatype": _MEDIA[encoding],
        **({"encoding": "utf-8"} if encoding == "csv" else {}),
        **({"dialect": {"table": name}} if encoding == "sqlite" else {}),
        "schema": {**schema, **keys},
    }


def _for_spss(name: str, catalogue: Catalogue) -> Json:
    """A table that stands a second time, each row on one line; ``copyOf`` (a property of ours) says of which."""
    return {
        "name": f"{name}_for_spss",
        "title": f"{TABLES[name].label}: the same rows as {name}, each on one line",
        "path": f"{name}{FOR_SPSS}",
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": _MEDIA["csv"],
        "encoding": "utf-8",
        "copyOf": name,
        "schema": {
            "fields": [_field(column) for column in TABLES[name].columns(catalogue)],
            "missingValues": [""],
            "primaryKey": list(KEYS[name]),
        },
    }


def _field(column: Column) -> Json:
    found: Json = {"name": column.name, "type": _TYPES[column.type], "title": column.label}
    if column.type is Type.INSTANT:
        found["format"] = "any"
    words = [f"unit {column.unit} (UCUM)" if column.unit else "", "; ".join(column.codes)]
    if column.several:
        words.append("several values with ; between, and a backslash before one that is part of a value")
    if any(words):
        found["description"] = ". ".join(word for word in words if word)
    if column.allowed and not column.several:
        found["constraints"] = {"enum": [value for value, _ in column.allowed]}
    if column.allowed:
        found["labels"] = dict(column.allowed)
    return found
