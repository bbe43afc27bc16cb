"""A server held against what arrived there, long after: what a restore lost, what is older, what others have changed.

Each finding is looked up by its business identifier (R4 search, token), so that a server may have given it another id
meanwhile; it is compared by a digest of all that is not the server's own. Nothing is written.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from hashlib import sha256
from typing import Any

from adapter.catalogue import Catalogue
from adapter.fhir import search_token
from adapter.fhir.json import Json
from adapter.send.outbox import Arrived
from adapter.send.rest import answers
from adapter.send.rest.client import FhirClient

_SERVERS_OWN = frozenset({"id", "meta", "text", "implicitRules"})
_AT_ONCE = 20
_SYSTEMS = {
    "Observation": "observation",
    "DiagnosticReport": "exam",
    "Communication": "told",
    "CommunicationRequest": "tell",
}


class Reconciliation(StrEnum):
    """How a part stands: ``lost``: not there; ``older``: as an earlier version of the exam had it; ``changed``: as
    nobody here sent it; ``doubled``: there more than once. The last two are for a person."""

    LOST = "lost"
    OLDER = "older"
    CHANGED = "changed"
    DOUBLED = "doubled"


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """A part of an exam that does not stand as it was sent."""

    name: str
    standing: Reconciliation


@dataclass(frozen=True, slots=True)
class Reconciled:
    """An exam, by its latest version that arrived, and what does not stand as it was sent."""

    exam: str
    root: str
    differences: tuple[Discrepancy, ...]

    @property
    def to_send(self) -> bool:
        """Whether sending it again mends it, and overwrites nothing that others have changed."""
        found = {one.standing for one in self.differences}
        return bool(found) and found <= {Reconciliation.LOST, Reconciliation.OLDER}


def digest_of(resource: Mapping[str, Any]) -> str:
    """SHA-256 in hexadecimal of what was meant: without the server's own fields, where references lead, and the
    digits that a number need not have."""
    kept = {key: value for key, value in resource.items() if key not in _SERVERS_OWN}
    return sha256(json.dumps(_plain(kept), sort_keys=True, ensure_ascii=True).encode()).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return value
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items() if key != "reference"}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return value
    number = Decimal(value).normalize()
    return f"{number + 0:f}"


def reconciled(client: FhirClient, catalogue: Catalogue, history: Sequence[Arrived]) -> Reconciled:
    """One exam against the server; ``history`` are its versions that arrived. Raises what the client raises."""
    systems = {kind: catalogue.identifier_system(name) for kind, name in _SYSTEMS.items()}
    latest, earlier = history[-1], history[:-1]
    before: dict[str, set[str]] = {}
    for version in earlier:
        for part in version.parts:
            before.setdefault(part.name, set()).add(part.digest)
    meant = {part.name: part.digest for part in latest.parts if " " in part.name}
    there = _found(client, systems, meant)
    differences = []
    for name, digest in meant.items():
        found = [digest_of(resource) for resource in there.get(name, [])]
        if not found:
            differences.append(Discrepancy(name, Reconciliation.LOST))
        elif len(found) > 1:
            differences.append(Discrepancy(name, Reconciliation.DOUBLED))
        elif found[0] != digest:
            standing = Reconciliation.OLDER if found[0] in before.get(name, set()) else Reconciliation.CHANGED
            differences.append(Discrepancy(name, standing))
    return Reconciled(latest.exam, latest.root, tuple(differences))


def _found(client: FhirClient, systems: Mapping[str, str], names: Iterable[str]) -> dict[str, list[Json]]:
    """What the server holds, by the names of parts (type, and the value of the business identifier)."""
    by_type: dict[str, list[str]] = {}
    for name in names:
        kind, _, value = name.partition(" ")
        by_type.setdefault(kind, []).append(value)
    found: dict[str, list[Json]] = {}
    for kind, values in by_type.items():
        system = systems[kind]
        for start in range(0, len(values), _AT_ONCE):
            for resource in _search(client, kind, system, values[start : start + _AT_ONCE]):
                for identifier in answers.objects(resource.get("identifier")):
                    name = f"{kind} {answers.text(identifier, 'value')}"
                    if identifier.get("system") == system and resource not in found.setdefault(name, []):
                        found[name].append(resource)
    return found


def _search(client: FhirClient, kind: str, system: str, values: Sequence[str]) -> Iterator[Json]:
    tokens = ",".join(search_token(system, value) for value in values)
    yield from client.search(kind, {"identifier": tokens, "_count": str(4 * _AT_ONCE)})
