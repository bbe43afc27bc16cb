"""StructureDefinitions of our extensions (FHIR R4 Defining Extensions, section 2.4.0.4)."""

from __future__ import annotations

from adapter.catalogue import Catalogue
from adapter.fhir.communication import TELLING
from adapter.fhir.json import Json
from adapter.fhir.observation import CAPTURED
from adapter.fhir.parts import DETAIL, WRITTEN_UNIT
from adapter.forms.questionnaire.render import PUBLISHED
from adapter.read.questionnaire.form import ORDER
from adapter.write.package.elements import element, types
from adapter.write.package.names import conformance
from adapter.write.package.names import url as url_of
from adapter.write.package.snapshot import snapshot

_BASE = "http://hl7.org/fhir/StructureDefinition/Extension"


def extension_definitions(catalogue: Catalogue) -> list[Json]:
    """Every extension of ours that a resource of ours may have."""
    return [
        _captured_quantity(catalogue),
        _finding_detail(catalogue),
        _telling(catalogue),
        _published_coding(catalogue),
        _written_unit(catalogue),
        _finding_order(catalogue),
    ]


def _definition(
    path: str, title: str, words: str, context: str, differential: list[Json], catalogue: Catalogue
) -> Json:
    name = path.rpartition("/")[2]
    address = url_of("StructureDefinition", name, catalogue)
    root = element("Extension", short=title, definition=words)
    whole = [root, *differential]
    url = element("Extension.url", fixedUri=address)
    whole.insert(next(n for n, e in enumerate(whole) if e["id"] == "Extension.value[x]"), url)
    return {
        **conformance("StructureDefinition", name, title, words, catalogue),
        "fhirVersion": "4.0.1",
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": context}],
        "type": "Extension",
        "baseDefinition": _BASE,
        "derivation": "constraint",
        "snapshot": {"element": snapshot("Extension", whole)},
        "differential": {"element": whole},
    }


def _simple(path: str, title: str, words: str, context: str, value: str, catalogue: Catalogue) -> Json:
    """An extension with a value and nothing in it."""
    differential = [
        element("Extension.extension", max_="0"),
        element("Extension.value[x]", min_=1, type=types(value)),
    ]
    return _definition(path, title, words, context, differential, catalogue)


def _captured_quantity(catalogue: Catalogue) -> Json:
    words = "What was captured, digit for digit, where the value was converted to another unit; one for each amount."
    return _simple(CAPTURED, "Quantity as captured", words, "Quantity", "Quantity", catalogue)


def _published_coding(catalogue: Catalogue) -> Json:
    words = "A published coding of the concept that a coding of ours stands for, as the Observation carries it."
    return _simple(PUBLISHED, "Published coding", words, "Coding", "Coding", catalogue)


def _written_unit(catalogue: Catalogue) -> Json:
    words = "The unit as the examiner wrote it, where it is shown in other words."
    return _simple(WRITTEN_UNIT, "Unit as written", words, "Quantity", "string", catalogue)


def _finding_order(catalogue: Catalogue) -> Json:
    words = "Which place a finding had in the record, where that is not the order of the form."
    return _simple(ORDER, "Order of a finding", words, "QuestionnaireResponse.item", "positiveInt", catalogue)


def _finding_detail(catalogue: Catalogue) -> Json:
    words = (
        "How a finding was made (side, state of the infant, time counted, urgency), where R4 leaves no room in "
        "components: it binds every component of a vital sign to units."
    )
    parts = [*_part("code", 1, "CodeableConcept"), *_part("value", 1, "CodeableConcept", "Quantity")]
    return _complex(DETAIL, "Detail of a finding", words, "Observation", parts, catalogue)


def _telling(catalogue: Catalogue) -> Json:
    words = (
        "Which line of the tell list was told (by what put it on the list, not by its words), whether it was read "
        "back, and in which roles people told and were told."
    )
    parts = [
        *_part("line", 1, "string"),
        *_part("read-back", 0, "boolean"),
        *_part("recipient-role", 1, "CodeableConcept"),
        *_part("sender-role", 0, "CodeableConcept"),
    ]
    return _complex(TELLING, "Telling", words, "Communication", parts, catalogue)


def _part(name: str, min_: int, *value: str) -> list[Json]:
    """A part of a complex extension, at most once."""
    at = f"Extension.extension:{name}"
    return [
        element(at, min_=min_, max_="1"),
        element(f"{at}.extension", max_="0"),
        element(f"{at}.url", fixedUri=name),
        element(f"{at}.value[x]", min_=1, type=types(*value)),
    ]


def _complex(path: str, title: str, words: str, context: str, parts: list[Json], catalogue: Catalogue) -> Json:
    """An extension with parts and no value."""
    needed = sum(part.get("min", 0) for part in parts if part["id"].count(".") == 1)
    differential = [
        element("Extension.extension", min_=needed, slicing=_BY_URL),
        *parts,
        element("Extension.value[x]", max_="0"),
    ]
    return _definition(path, title, words, context, differential, catalogue)


_BY_URL = {"discriminator": [{"type": "value", "path": "url"}], "rules": "open"}
