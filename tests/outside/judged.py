"""What the outside judges judge: every example bundle, and bundles of exams that use every item and answer; and
broken ones, which a judge must find fault with.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

from adapter.catalogue import load_catalogue
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import loads
from tests.every_answer import every_exam

EXAMPLES = Path(__file__).resolve().parents[2] / "examples" / "bundles"


def bundles() -> Iterator[tuple[str, dict[str, Any]]]:
    """Name and content of every bundle that must be without fault."""
    for path in sorted(EXAMPLES.glob("*.json")):
        content = loads(path.read_bytes())
        if content["resourceType"] == "Bundle":
            yield path.name, content
    catalogue = load_catalogue()
    for n, exam in enumerate(every_exam(catalogue)):
        yield exam.details.id, to_bundle(exam, catalogue)
        if n % 20 == 0:
            yield f"{exam.details.id} as collection", to_bundle(exam, catalogue, BundleType.COLLECTION)
            yield f"{exam.details.id} as batch", to_bundle(exam, catalogue, BundleType.BATCH)


def broken() -> Iterator[tuple[str, dict[str, Any]]]:
    """Bundles with one fault each that every one of the judges can see."""
    catalogue = load_catalogue()
    good = to_bundle(every_exam(catalogue)[0], catalogue)
    unknown_element = deepcopy(good)
    unknown_element["entry"][0]["resource"]["nickname"] = "x"
    yield "an unknown element", unknown_element
    wrong_type = deepcopy(good)
    wrong_type["entry"][0]["resource"]["gender"] = 1
    yield "a number for a code", wrong_type
