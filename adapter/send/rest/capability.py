"""What a server can do, from its CapabilityStatement (FHIR R4, http.html 3.1.0.10 and capabilitystatement.html).

What a statement does not say, the server is taken not to do: then the slower, safer way is used.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from adapter.problems import Problem
from adapter.send.failures import problem
from adapter.send.rest import answers
from adapter.send.rest.answers import Barred
from adapter.send.rest.client import FhirClient


class Mode(StrEnum):
    """How an exam is sent: whole or not at all; in bundles a step; one resource a request."""

    TRANSACTION = "transaction"
    BATCH = "batch"
    SINGLE = "single"


@dataclass(frozen=True, slots=True)
class Capability:
    """A server's abilities; the sets hold resource types.

    ``conditional_create``: a create does nothing where its criteria find something; ``update_create``: an update
    may create under the client's own id; ``versioned``: the server keeps versions, so If-Match means something;
    ``batches``: it says that it takes several requests in one;
    ``export``: the operation below the base that exports all patients as Bulk Data, empty where there is none.
    """

    fhir_version: str
    software: str
    formats: frozenset[str]
    mode: Mode
    types: frozenset[str]
    conditional_create: frozenset[str]
    update_create: frozenset[str]
    versioned: frozenset[str]
    export: str = ""
    batches: bool = False

    def problems(self) -> list[Problem]:
        """Why nothing of ours can be sent there."""
        if self.fhir_version.split(".")[:2] == ["4", "0"]:
            return []
        said = self.fhir_version if re.fullmatch(r"[0-9][\w.-]{0,20}", self.fhir_version) else "of no stated version"
        what = f"the server speaks FHIR {said}"
        return [problem("fhir-version", what, "a server of FHIR R4 (4.0.x)")]

    @property
    def asks_in(self) -> Mode | None:
        """The Bundle in which it takes several searches at once: both kinds hold GETs too (3.1.0.11)."""
        if self.batches:
            return Mode.BATCH
        return None if self.mode is Mode.SINGLE else self.mode

    def at_most(self, mode: Mode) -> Capability:
        """The same, but nothing is sent by a way that does more at once than this."""
        order = list(Mode)
        return replace(self, mode=max(self.mode, mode, key=order.index))

    def missing(self, types: frozenset[str]) -> frozenset[str]:
        """Those of the resource types that the server does not keep; none where it does not say what it keeps."""
        return types - self.types if self.types else frozenset()


def learn(client: FhirClient) -> Capability:
    """Ask a server what it can do, and speak a format that it knows from now on.

    Raises :class:`Barred` for one that is no server of FHIR R4, and what the client raises.
    """
    found = read_capability(client.capabilities())
    if problems := found.problems():
        raise Barred(200, problems)
    if found.formats and client.format not in found.formats:
        client.speak("json" if "json" in found.formats else "xml")
    return found


def read_capability(statement: dict[str, Any]) -> Capability:
    """From a CapabilityStatement; its part for servers counts."""
    rest = next((r for r in answers.objects(statement.get("rest")) if r.get("mode", "server") == "server"), {})
    resources = answers.objects(rest.get("resource"))
    interactions = {answers.text(i, "code") for i in answers.objects(rest.get("interaction"))}
    software = answers.object_(statement.get("software"))

    def those(holds: Callable[[dict[str, Any]], bool]) -> frozenset[str]:
        return frozenset(answers.text(r, "type") for r in resources if holds(r))

    return Capability(
        fhir_version=answers.text(statement, "fhirVersion"),
        software=f"{answers.text(software, 'name')} {answers.text(software, 'version')}".strip(),
        formats=_formats(statement.get("format")),
        mode=next((mode for mode in Mode if mode.value in interactions), Mode.SINGLE),
        types=those(lambda r: True),
        conditional_create=those(lambda r: r.get("conditionalCreate") is True),
        update_create=those(lambda r: r.get("updateCreate") is True),
        versioned=those(lambda r: r.get("versioning") in ("versioned", "versioned-update")),
        export=_export(rest, resources),
        batches="batch" in interactions,
    )


def _formats(said: Any) -> frozenset[str]:
    names = [one for one in said if isinstance(one, str)] if isinstance(said, list) else []
    return frozenset(form for form in ("json", "xml") if any(form in name for name in names))


def _export(rest: dict[str, Any], resources: list[dict[str, Any]]) -> str:
    """Of the system or of all patients (Bulk Data Access 2.0.0, "Endpoint"); statements leave its ``$`` out."""

    def offers(of: dict[str, Any]) -> bool:
        return any(answers.text(one, "name").lstrip("$") == "export" for one in answers.objects(of.get("operation")))

    if offers(rest):
        return "$export"
    return "Patient/$export" if any(r.get("type") == "Patient" and offers(r) for r in resources) else ""
