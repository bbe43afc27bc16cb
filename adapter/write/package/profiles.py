"""StructureDefinitions of what the adapter emits: profiles on R4's resources, each with differential and snapshot.

They say what our resources always have, no more: a server that holds them against these finds a wrong code of ours,
an extension that is none of ours, an answer under another item's question.
"""

from __future__ import annotations

from adapter.catalogue import Catalogue
from adapter.fhir.claims import ANSWER, FINDING, NOT_EXAMINED, OF_TYPE
from adapter.fhir.json import Json
from adapter.write.package.names import conformance
from adapter.write.package.names import url as url_of
from adapter.write.package.of_findings import findings
from adapter.write.package.of_others import others
from adapter.write.package.snapshot import snapshot

_STANDARD = "http://hl7.org/fhir/StructureDefinition/"
_ON_FINDING = (ANSWER, NOT_EXAMINED, *OF_TYPE.values())


def profile_definitions(catalogue: Catalogue) -> list[Json]:
    """Every profile, base profiles before those on them."""
    made: dict[str, list[Json]] = {}
    found = []
    for name, type_name, title, words, differential in (*findings(catalogue), *others(catalogue)):
        root = {"id": type_name, "path": type_name, "short": title, "definition": words}
        if differential[0]["id"] == type_name:
            made[name] = [{**root, **differential[0]}, *differential[1:]]
        else:
            made[name] = [root, *differential]
        base = FINDING if name in _ON_FINDING else ""
        layers = [made[base], made[name]] if base else [made[name]]
        found.append(
            {
                **conformance("StructureDefinition", name, title, words, catalogue),
                "fhirVersion": "4.0.1",
                "kind": "resource",
                "abstract": False,
                "type": type_name,
                "baseDefinition": url_of("StructureDefinition", base, catalogue) if base else _STANDARD + type_name,
                "derivation": "constraint",
                "snapshot": {"element": snapshot(type_name, *layers)},
                "differential": {"element": made[name]},
            }
        )
    return found
