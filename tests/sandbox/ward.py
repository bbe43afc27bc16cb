"""A server with the invented example exams on it, and some that are not ours, for the page's tests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import json as fhir_json
from adapter.fhir import to_bundle
from adapter.read import read_captures
from adapter.sandbox import Store, running

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
NASTY = "<script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\"> & 'quotes'"


def examples(catalogue: Catalogue, *names: str) -> list[Exam]:
    """The example exams whose files begin with these names; all where none is given."""
    paths = [p for p in sorted(CAPTURES.iterdir()) if not names or p.name.startswith(names)]
    found = [reading.exam for path in paths for reading in read_captures(path, catalogue)]
    return [exam for exam in found if exam is not None]


@contextmanager
def ward(exams: list[Exam], catalogue: Catalogue, *others: dict[str, Any]) -> Iterator[str]:
    """A server that holds the exams and other resources; its origin."""
    with Store() as store, running(store) as url, httpx.Client(trust_env=False, timeout=60) as http:
        for exam in exams:
            _well(http.post(url, content=fhir_json.dumps(to_bundle(exam, catalogue)), headers=_JSON))
        for resource in others:
            where = f"{url}/{resource['resourceType']}/{resource['id']}"
            _well(http.put(where, content=fhir_json.dumps(resource), headers=_JSON))
        yield url.removesuffix("/fhir")


def of_another_maker() -> list[dict[str, Any]]:
    """A newborn, a report and findings that no catalogue of ours made, with markup wherever text may stand."""
    subject = {"reference": "Patient/foreign"}
    value = {"value": 3, "unit": NASTY, "system": "http://unitsofmeasure.org", "code": "kg"}
    one = {"resourceType": "Observation", "status": "final", "code": {"text": NASTY}, "subject": subject}
    return [
        {"resourceType": "Patient", "id": "foreign", "name": [{"text": NASTY}], "identifier": [{"value": NASTY}]},
        {**one, "id": "f1", "valueQuantity": value, "note": [{"text": NASTY}]},
        {**one, "id": "f2", "code": {"text": "no judgement of this"}, "valueString": NASTY},
        {**one, "id": "f3", "code": {"text": "not done"}, "status": "cancelled"},
        {**one, "id": "f4", "code": {"text": "a loose one"}, "valueBoolean": True},
        {
            "resourceType": "DiagnosticReport",
            "id": "r",
            "status": "entered-in-error",
            "code": {"text": NASTY},
            "subject": subject,
            "conclusion": f"Tell now: {NASTY}\nand more",
            "result": [{"reference": f"Observation/f{n}"} for n in (1, 2, 3, 9)],
        },
    ]


_JSON = {"Content-Type": "application/fhir+json"}


def _well(answer: httpx.Response) -> None:
    assert answer.status_code in (200, 201), answer.text
