"""What our Observations have: findings by kind, the panel of a region, a sign of a score."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue, ItemType
from adapter.fhir.claims import ANSWER, FINDING, NOT_EXAMINED, OF_TYPE, PANEL, SIGN
from adapter.fhir.json import Json
from adapter.fhir.observation import CAPTURED
from adapter.fhir.parts import DETAIL
from adapter.write.package.elements import (
    constraint,
    element,
    extension,
    of_system,
    reference,
    sliced,
    types,
)
from adapter.write.package.names import url as url_of
from adapter.write.package.valuesets import UNITS

Profile = tuple[str, str, str, str, list[Json]]

_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"


def findings(catalogue: Catalogue) -> Iterator[Profile]:
    """Name, type, title, words and differential of each profile on Observation."""
    yield FINDING, "Observation", "Finding", "What was found of one item of the exam.", _finding(catalogue)
    yield ANSWER, "Observation", "Answer", "A finding in words or codes, or a moment.", _answer(catalogue)
    yield (
        OF_TYPE[ItemType.QUANTITY], "Observation", "Measure", "A measured, counted or computed amount.",
        [
            element("Observation.value[x]", min_=1, type=types("Quantity"), binding=_units(catalogue)),
            sliced("Observation.value[x].extension", "url"),
            element(
                "Observation.value[x].extension:captured", type=extension(_extension_url(CAPTURED, catalogue))
            ),
            element("Observation.value[x].value", min_=1),
            element("Observation.value[x].system", min_=1, fixedUri=catalogue.uri("ucum")),
            element("Observation.value[x].code", min_=1),
            element("Observation.dataAbsentReason", max_="0"),
        ],
    )  # fmt: skip
    yield (
        OF_TYPE[ItemType.QUANTITIES], "Observation", "Measure of several numbers", "Numbers that belong together.",
        [
            element("Observation.value[x]", max_="0"),
            element("Observation.dataAbsentReason", max_="0"),
            element("Observation.component", min_=1),
        ],
    )  # fmt: skip
    yield (
        OF_TYPE[ItemType.SCORE], "Observation", "Score",
        "A score: its total where all signs are known, the signs as components or as members.",
        [
            element("Observation", constraint=[constraint(
                "exam-score", "signs as components or as members, never both",
                "hasMember.empty() or component.empty()",
            )]),
            element("Observation.value[x]", type=types("integer")),
            element("Observation.dataAbsentReason", max_="0"),
        ],
    )  # fmt: skip
    yield NOT_EXAMINED, "Observation", "Not examined", "Why an item was not examined.", _not_examined(catalogue)
    yield PANEL, "Observation", "Panel of a region", "The findings of one region.", _panel(catalogue)
    yield SIGN, "Observation", "Sign of a score", "One sign of a score, as its member.", _sign(catalogue)


def _units(catalogue: Catalogue) -> Json:
    return {"strength": "required", "valueSet": url_of("ValueSet", UNITS, catalogue)}


def _extension_url(path: str, catalogue: Catalogue) -> str:
    return f"{catalogue.settings.canonical}/{path}"


def _coded(holder: str, name: str, system: str, catalogue: Catalogue, min_: int = 0) -> list[Json]:
    value_set = url_of("ValueSet", catalogue.systems[system].uri.rpartition("/")[2], catalogue)
    return of_system(holder, name, catalogue.uri(system), value_set, min_)


def _common(catalogue: Catalogue) -> list[Json]:
    """What every Observation of ours has, in the order of R4, around its code."""
    return [
        element("Observation.identifier", min_=1),
        element("Observation.category", min_=1),
    ]


def _subject() -> list[Json]:
    return [
        element("Observation.subject", min_=1, type=reference("Patient")),
        element("Observation.encounter", min_=1),
        element("Observation.effective[x]", min_=1, type=types("dateTime")),
    ]


def _finding(catalogue: Catalogue) -> list[Json]:
    canonical = catalogue.settings.canonical
    known = " or ".join(f"url = '{_extension_url(path, catalogue)}'" for path in (CAPTURED, DETAIL))
    item, answer = catalogue.uri("item"), catalogue.uri("answer")
    return [
        element("Observation", constraint=[
            constraint(
                "exam-answer", "an answer is one of the item that was asked",
                f"value.ofType(CodeableConcept).coding.where(system = '{answer}').all("
                f"code.startsWith(%resource.code.coding.where(system = '{item}').code & '.'))",
            ),
            constraint(
                "exam-extension", "an extension of our address is one that we define",
                f"(extension | value.extension | component.value.extension)"
                f".where(url.startsWith('{canonical}/')).all({known})",
            ),
        ]),
        sliced("Observation.extension", "url"),
        element("Observation.extension:detail", type=extension(_extension_url(DETAIL, catalogue))),
        *_common(catalogue),
        sliced("Observation.code.coding", "system"),
        *_coded("Observation.code", "item", "item", catalogue, 1),
        *_subject(),
        element("Observation.interpretation", max_="1"),
        sliced("Observation.interpretation.coding", "system"),
        *_coded("Observation.interpretation", "meaning", "meaning", catalogue, 1),
        sliced("Observation.bodySite.coding", "system"),
        *_coded("Observation.bodySite", "site", "site", catalogue, 1),
        sliced("Observation.method.coding", "system"),
        *_coded("Observation.method", "method", "method", catalogue),
        *_coded("Observation.method", "rule", "rule", catalogue),
        sliced("Observation.component.code.coding", "system"),
        *_coded("Observation.component.code", "part", "component", catalogue),
        *_coded("Observation.component.code", "detail", "detail", catalogue),
    ]  # fmt: skip


def _answer(catalogue: Catalogue) -> list[Json]:
    concept = "Observation.value[x]:valueCodeableConcept"
    return [
        element(
            "Observation.value[x]", min_=1, type=types("CodeableConcept", "string", "dateTime"),
            slicing={"discriminator": [{"type": "type", "path": "$this"}], "rules": "open"},
        ),
        element(concept, max_="1", type=types("CodeableConcept")),
        sliced(f"{concept}.coding", "system"),
        *_coded(concept, "answer", "answer", catalogue),
        *_coded(concept, "rule", "rule", catalogue),
        element("Observation.dataAbsentReason", max_="0"),
    ]  # fmt: skip


def _not_examined(catalogue: Catalogue) -> list[Json]:
    status = constraint(
        "exam-not-examined", "not examined is cancelled, put off (registered) or entered in error",
        "status = 'cancelled' or status = 'registered' or status = 'entered-in-error'",
    )  # fmt: skip
    return [
        element("Observation", constraint=[status]),
        element("Observation.value[x]", max_="0"),
        element("Observation.dataAbsentReason", min_=1),
        sliced("Observation.dataAbsentReason.coding", "system"),
        element("Observation.dataAbsentReason.coding:standard", min_=1, max_="1"),
        element("Observation.dataAbsentReason.coding:standard.system", min_=1, fixedUri=_ABSENT),
        *_coded("Observation.dataAbsentReason", "reason", "reason", catalogue, 1),
    ]


def _panel(catalogue: Catalogue) -> list[Json]:
    return [
        *_common(catalogue),
        sliced("Observation.code.coding", "system"),
        *_coded("Observation.code", "region", "region", catalogue, 1),
        *_subject(),
        element("Observation.value[x]", max_="0"),
        element("Observation.dataAbsentReason", max_="0"),
        element("Observation.hasMember", min_=1),
        element("Observation.component", max_="0"),
    ]


def _sign(catalogue: Catalogue) -> list[Json]:
    return [
        *_common(catalogue),
        sliced("Observation.code.coding", "system"),
        *_coded("Observation.code", "sign", "component", catalogue, 1),
        *_subject(),
        element("Observation.value[x]", min_=1, type=types("CodeableConcept")),
        sliced("Observation.value[x].coding", "system"),
        *_coded("Observation.value[x]", "answer", "answer", catalogue, 1),
        element("Observation.component", max_="0"),
    ]
