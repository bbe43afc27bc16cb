"""ConceptMaps: from our codes to LOINC, SNOMED CT, HPO, a site's own and R4's; how well each fits, and who says so.

FHIR R4 ConceptMap (section 4.10). Equivalence is read from the source to the target: *wider* means that the published
code says less than ours. Codes that are near and say something else stand here and nowhere else. What has no
published code is *unmatched*, with the reason.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from adapter.catalogue import Catalogue, Code, Flag, Meaning
from adapter.catalogue.code import PROJECT
from adapter.catalogue.vocabulary import Grade
from adapter.fhir.json import Json
from adapter.fhir.parts import INTERPRETATION
from adapter.write.package.names import conformance
from adapter.write.package.names import url as url_of

ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_NO_VARIANT = "ObservationInterpretation has no code for a variant, which is neither normal nor abnormal."
_NUMBERS = f"A number has low and high, critical or not; what asks for action at once has AA. Graded by: {PROJECT}."
_SHARED = "The published code stands for more than one of ours."


@dataclass(frozen=True, slots=True)
class MapTarget:
    """One source concept and one target; ``only`` says where the target holds only under a condition."""

    source: str
    label: str
    place: str
    target: Code
    only: str = ""


def concept_maps(catalogue: Catalogue) -> list[Json]:
    """A map for each of our systems and each system that its codes lead to."""
    found = []
    for system, (title, labels, matches, reasons) in _sources(catalogue).items():
        for target in dict.fromkeys(match.target.system for match in matches):
            chosen = [match for match in matches if match.target.system == target]
            found.append(_map(system, title, target, labels, chosen, reasons, catalogue))
    return [*found, _absent(catalogue), _meanings(catalogue)]


Source = tuple[str, dict[str, str], list[MapTarget], dict[str, str]]


def _sources(catalogue: Catalogue) -> dict[str, Source]:
    """Of each of our systems: what it is, its labels by code, its matches, and why a code has none."""
    items: Source = ("Items", {}, [], {})
    answers: Source = ("Answers", {}, [], {})
    components: Source = ("Components and signs", {}, [], {})
    for item in catalogue.items.values():
        place = f"item {item.id}"
        _put(items, item.id, item.label, place, (*item.codes, *item.maps), catalogue)
        items[3][item.id] = item.no_standard_code or ""
        for word, key, codes in item.codes_by.conditions():
            only = f"Only with the {'place' if word == 'site' else word} {key}."
            _put(items, item.id, item.label, place, codes, catalogue, only)
        for other in item.other_units:
            _put(items, item.id, item.label, place, other.codes, catalogue, f"Only for a value in {other.unit}.")
        for component in item.components:
            where = f"{place}, component {component.id}"
            _put(components, f"{item.id}.{component.id}", component.label, where, component.codes, catalogue)
        for sign in item.signs:
            where = f"{place}, sign {sign.id}"
            _put(components, f"{item.id}.{sign.id}", sign.label, where, sign.codes, catalogue)
        for answer in item.answers:
            where = f"{place}, answer {answer.id}"
            every = (*answer.codes, *answer.maps)
            _put(answers, f"{item.id}.{answer.id}", answer.label, where, every, catalogue)
        for sign in item.signs:
            for choice in sign.answers:
                where = f"{place}, sign {sign.id}, answer {choice.id}"
                _put(answers, f"{item.id}.{sign.id}.{choice.id}", choice.label, where, choice.codes, catalogue)
    found = {"item": items, "answer": answers, "component": components}
    regions: Source = ("Regions", {}, [], {})
    for region in catalogue.regions.values():
        _put(regions, region.region, region.label, f"region {region.region}", region.codes, catalogue)
    found["region"] = regions
    for system, title in (
        *(("side", "Sides"), ("reason", "Reasons"), ("method", "Methods"), ("state", "States")),
        *(("site", "Body sites"), ("role", "Roles"), ("kind", "Kinds of exam")),
    ):
        source: Source = (title, {}, [], {})
        for term in getattr(catalogue, f"{system}s").values():
            every = (*term.codes, *getattr(term, "maps", ()))
            _put(source, term.id, term.label, f"{system} {term.id}", every, catalogue)
            for side in ("left", "right"):
                lateral = getattr(term, side, ())
                only = f"Only with the side {side}."
                _put(source, term.id, term.label, f"{system} {term.id}", lateral, catalogue, only)
        found[system] = source
    return found


def _put(
    source: Source, code: str, label: str, place: str, codes: Iterable[Code], catalogue: Catalogue, only: str = ""
) -> None:
    _, labels, matches, _ = source
    labels[code] = label
    matches += [MapTarget(code, label, place, target, only) for target in codes if catalogue.maps(target)]


def _map(
    system: str,
    title: str,
    target: str,
    labels: dict[str, str],
    matches: list[MapTarget],
    reasons: dict[str, str],
    catalogue: Catalogue,
) -> Json:
    elements = []
    for code, label in labels.items():
        own = [match for match in matches if match.source == code]
        targets = _merged(_target(match, catalogue) for match in own)
        if not targets:
            why = reasons.get(code) or f"No verified code of {catalogue.systems[target].label} means exactly this."
            targets = [{"equivalence": "unmatched", "comment": why}]
        elements.append({"code": code, "display": label, "target": targets})
    group: Json = {"source": catalogue.uri(system), "target": catalogue.uri(target)}
    if catalogue.systems[target].version:
        group["targetVersion"] = catalogue.systems[target].version
    group["element"] = elements
    shown = catalogue.systems[target].label
    givers = dict.fromkeys(_grade(match, catalogue)[1] for match in matches)
    graded_by = "; ".join(f"{giver}: {_label(giver, catalogue)}" for giver in givers)
    words = (
        f"{title} of the adapter and codes of {shown}. Those graded inexact or relatedto are not sent. Grades are by "
        f"{graded_by}. The codes were verified in published sources and not against a current release."
    )
    head = conformance("ConceptMap", f"{system}-to-{target}", f"{title} to {shown}", words, catalogue)
    name = catalogue.systems[system].uri.rpartition("/")[2]
    return {**head, "sourceCanonical": url_of("ValueSet", name, catalogue), "group": [group]}


def _target(match: MapTarget, catalogue: Catalogue) -> Json:
    fit, by, comment = _grade(match, catalogue)
    found: Json = {"code": match.target.code}
    if match.target.display:
        found["display"] = match.target.display
    found["equivalence"] = fit
    because = comment and f"{comment[0].upper()}{comment[1:].removesuffix('.')}."
    found["comment"] = " ".join(filter(None, (match.only, because, f"Graded by: {by}.")))
    return found


def _grade(match: MapTarget, catalogue: Catalogue) -> tuple[str, str, str]:
    """How well the target fits, who says so and why: as ``equivalences.yaml`` has it, else as stands with the code.

    A code that holds only under a condition says more than ours without it: equivalent becomes narrower.
    """
    said, code = catalogue.equivalences.get(match.place), match.target
    if said is not None and code.code in said.targets:
        grade = said.targets[code.code]
        return grade.equivalence, grade.by, grade.comment
    fit = code.fit or "relatedto"  # the linter refuses a code that nobody graded
    conditional = {"equal": "narrower", "equivalent": "narrower", "wider": "inexact"}
    return conditional.get(fit, fit) if match.only else fit, code.by, code.comment


def _label(giver: str, catalogue: Catalogue) -> str:
    return catalogue.graders[giver].label if giver in catalogue.graders else giver


def _merged(targets: Iterable[Json]) -> list[Json]:
    """One target for each code; the conditions under which it holds together."""
    found: dict[str, Json] = {}
    for target in targets:
        held = found.setdefault(target["code"], target)
        if held is not target and held["equivalence"] == target["equivalence"]:
            held["comment"] = " ".join(dict.fromkeys(filter(None, (held.get("comment"), target.get("comment")))))
    return list(found.values())


def _absent(catalogue: Catalogue) -> Json:
    """Why something was not examined, in R4's own words."""
    shared = Counter(reason.absent for reason in catalogue.reasons.values())
    elements = []
    for reason in catalogue.reasons.values():
        said = catalogue.equivalences.get(f"reason {reason.id}")
        grade = said.targets.get(reason.absent) if said is not None else None
        if grade is None:
            comment = _SHARED if shared[reason.absent] > 1 else "R4's code is more general."
            grade = Grade(equivalence="wider", comment=comment)
        comment = " ".join(filter(None, (grade.comment, f"Graded by: {grade.by}.")))
        target = {"code": reason.absent, "equivalence": grade.equivalence, "comment": comment}
        elements.append({"code": reason.id, "display": reason.label, "target": [target]})
    words = "Reasons for not examining and the codes of R4's data-absent-reason that are sent with them."
    return _to_standard(
        "reason", ABSENT, "reason-to-data-absent-reason", "Reasons to data-absent-reason", words, elements, catalogue
    )


def _meanings(catalogue: Catalogue) -> Json:
    """What a finding means, in HL7 v3 ObservationInterpretation; a variant has no code there, and is sent without."""
    elements = []
    for meaning, flag in (
        (Meaning.EXPECTED, Flag.NORMAL),
        (Meaning.VARIANT, None),
        (Meaning.ABNORMAL, Flag.ABNORMAL),
    ):
        target: Json = {"equivalence": "unmatched", "comment": _NO_VARIANT}
        if flag is not None:
            target = {"code": flag.value, "equivalence": "equivalent", "comment": _NUMBERS}
        label = catalogue.meanings[meaning.value].label
        elements.append({"code": meaning.value, "display": label, "target": [target]})
    words = "What a finding means, and the codes of HL7 v3 ObservationInterpretation that are sent with it."
    return _to_standard(
        "meaning",
        INTERPRETATION,
        "meaning-to-interpretation",
        "Meanings to ObservationInterpretation",
        words,
        elements,
        catalogue,
    )


def _to_standard(
    system: str, target: str, name: str, title: str, words: str, elements: list[Json], catalogue: Catalogue
) -> Json:
    """The map of a system of ours to a code system of the standard."""
    group = {"source": catalogue.uri(system), "target": target, "element": elements}
    head = conformance("ConceptMap", name, title, words, catalogue)
    own = catalogue.systems[system].uri.rpartition("/")[2]
    return {**head, "sourceCanonical": url_of("ValueSet", own, catalogue), "group": [group]}
