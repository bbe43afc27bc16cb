"""What of a Bundle is a person's: the names, identifiers, notes and free texts in it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from adapter.send.redaction import Redaction

_PEOPLE = frozenset({"Patient", "RelatedPerson", "Practitioner"})


def redaction_of(bundle: dict[str, Any]) -> Redaction:
    """Takes out of what a server says whatever it repeats of the persons in the bundle."""
    return Redaction(text for entry in bundle.get("entry", []) for text in _private(entry["resource"]))


def _private(resource: dict[str, Any]) -> Iterator[str]:
    if resource["resourceType"] in _PEOPLE:
        for identifier in resource.get("identifier", []):
            yield identifier["value"]
        for name in resource.get("name", []):
            yield from (name.get("text", ""), name.get("family", ""), *name.get("given", ()))
        yield resource.get("birthDate", "")
        return
    for performer in resource.get("performer", []):
        yield performer.get("display", "")
    for note in resource.get("note", []):
        yield note.get("text", "")
    for key in ("valueString", "conclusion"):
        yield resource.get(key, "")
    for line in resource.get("payload", []):
        yield line.get("contentString", "")
    concept = resource.get("valueCodeableConcept", {})
    if "coding" not in concept:
        yield concept.get("text", "")
