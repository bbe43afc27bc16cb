"""``python -m tests.terminology.on_hapi``: the proof of the codes by a terminology service that nobody here wrote.

HAPI FHIR JPA (as ``tests/send/hapi_server.py`` starts it: Java 17, Maven) is given the shipped package and
the small made-up edition of ``edition.py``; every code that may be sent is asked for, and each map there and back. It
prints what was found; exit code 1 with a fault of the edition that was not.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from adapter.catalogue import load_catalogue
from adapter.send import FhirClient, Timeouts
from adapter.send.terminology import Server, prove, translated
from adapter.write.package import definitions
from tests.send import hapi_server
from tests.terminology import edition as made_up

FAULTS = {
    ("snomed", made_up.INACTIVE): "inactive-code",
    ("snomed", made_up.RENAMED): "other-name",
    ("snomed", made_up.MISPLACED): "wrong-role",
    ("snomed", made_up.MISSING): "unknown-code",
    ("loinc", made_up.DEPRECATED): "inactive-code",
    ("loinc", made_up.DISCOURAGED): "code-status",
    ("loinc", made_up.ON_TRIAL): "code-status",
    ("loinc", made_up.WRONG_SCALE): "wrong-scale",
    ("loinc", made_up.WRONG_PROPERTY): "wrong-property",
    (
        "loinc",
        made_up.NOT_IN_LIST,
    ): "answer-list-not-held",  # HAPI takes LOINC's answer lists from LOINC's own files alone
}
_OF_TERMINOLOGY = ("CodeSystem", "ValueSet", "ConceptMap")


def main() -> int:
    """Load, ask and print."""
    catalogue = load_catalogue()
    resources = [one for one in definitions(catalogue) if one["resourceType"] in _OF_TERMINOLOGY]
    slow = Timeouts(10, 120, 600, 1800)
    with (
        TemporaryDirectory() as folder,
        hapi_server.serving(Path(folder)) as url,
        FhirClient(url, timeout=slow) as client,
    ):
        _load(client, [*map(_as_it_takes_them, made_up.edition(catalogue)), *resources])
        terminology = Server(client)
        proof = prove(catalogue, terminology)
        maps, problems = translated(catalogue, terminology)
    print(f"{terminology.software}: {len(resources)} resources of the package and the made-up edition")
    print("verdicts:", dict(Counter(f"{one.system} {one.verdict}" for one in proof.codes)))
    found = {
        (one.system, one.code): [finding.rule for finding in one.findings] for one in proof.codes if one.findings
    }
    missed = {
        f"{system} {code}": rule
        for (system, code), rule in FAULTS.items()
        if rule not in found.get((system, code), [])
    }
    others = Counter(rule for key, rules in found.items() for rule in rules if FAULTS.get(key) != rule)
    print("faults of the edition that were not found:", missed or "none")
    print("what else was found:", dict(others) or "nothing")
    print(
        *(f"  {system} {code}" for (system, code), rules in found.items() if {*rules} - {FAULTS.get((system, code))}),
        sep="\n",
    )
    print(f"maps: {maps} tried, {len(problems)} fell short", dict(Counter(one.rule for one in problems)))
    return 1 if missed else 0


def _as_it_takes_them(resource: dict[str, Any]) -> dict[str, Any]:
    """HAPI FHIR 8.8.0 looks up nothing in a fragment, and nothing that has a boolean property (HAPI-0905)."""
    if resource["resourceType"] != "CodeSystem":
        return resource
    concepts = [
        {**one, "property": [_in_words(told) for told in one.get("property", ())]} for one in resource["concept"]
    ]
    return {**resource, "content": "complete", "concept": concepts}


def _in_words(told: dict[str, Any]) -> dict[str, Any]:
    if "valueBoolean" not in told:
        return told
    return {"code": told["code"], "valueString": str(told["valueBoolean"]).lower()}


def _load(client: FhirClient, resources: list[dict[str, Any]]) -> None:
    for number, resource in enumerate(resources):
        own = {**resource, "id": resource.get("id", f"made-up-{number}")}
        request = {"method": "PUT", "url": f"{own['resourceType']}/{own['id']}"}
        client.carry_out({"fullUrl": f"urn:uuid:{number}", "resource": own, "request": request})


if __name__ == "__main__":
    sys.exit(main())
