"""What the outside judges judge: every example bundle, and bundles of exams that use every item and answer; and
broken ones, which a judge must find fault with.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import every_exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.forms import to_questionnaire, to_response
from adapter.write.document import document
from tests.examples.regenerate import bundle, example, names


def bundles() -> Iterator[tuple[str, bytes]]:
    """Name and JSON of every bundle that must be without fault, each on one line."""
    catalogue = load_catalogue()
    for name in names():
        yield name, dumps(bundle(name))
        yield f"{name} as document", dumps(document(example(name), catalogue))
    for n, exam in enumerate(every_exam(catalogue)):
        yield exam.details.id, dumps(to_bundle(exam, catalogue))
        if n % 20 == 0:
            yield f"{exam.details.id} as collection", dumps(to_bundle(exam, catalogue, BundleType.COLLECTION))
            yield f"{exam.details.id} as batch", dumps(to_bundle(exam, catalogue, BundleType.BATCH))
        if n % 10 == 0:
            yield f"{exam.details.id} as document", dumps(document(exam, catalogue))
    yield "a questionnaire and responses", dumps(_forms(catalogue))


def _forms(catalogue: Catalogue) -> dict[str, Any]:
    """The Questionnaire of one kind of exam, and every fourth exam as a response to that of its own kind."""
    resources = [to_questionnaire(catalogue, "initial")]
    resources += [to_response(exam, catalogue) for exam in every_exam(catalogue)[::4]]
    entries = [{"fullUrl": uuid5(NAMESPACE_URL, str(n)).urn, "resource": one} for n, one in enumerate(resources)]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def in_xml() -> Iterator[tuple[str, bytes]]:
    """The same for XML, of a part of them."""
    for name, content in list(bundles())[::10]:
        yield f"{name} in XML", to_xml(loads(content)).replace(b"\n", b"")


def broken() -> Iterator[tuple[str, bytes]]:
    """Bundles with one fault each that every one of the judges can see."""
    catalogue = load_catalogue()
    good: dict[str, Any] = to_bundle(every_exam(catalogue)[0], catalogue)
    good["entry"] = good["entry"][:1]
    unknown_element = deepcopy(good)
    unknown_element["entry"][0]["resource"]["nickname"] = "x"
    yield "an unknown element", dumps(unknown_element)
    wrong_type = deepcopy(good)
    wrong_type["entry"][0]["resource"]["gender"] = 1
    yield "a number for a code", dumps(wrong_type)
