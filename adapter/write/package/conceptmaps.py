"""ConceptMaps: from our codes to LOINC, SNOMED CT, a site's own and R4's, how well each fits said honestly.

FHIR R4 ConceptMap (section 4.10). Equivalence is read from the source to the target: *wider* means that the published
code says less than ours. What has no published code is *unmatched*, with the reason.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from adapter.catalogue import Catalogue, Code
from adapter.catalogue.vocabulary import Grade
from adapter.write.package.names import Json, conformance
from adapter.write.package.names import url as url_of

ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_SHARED = "The published code stands for more than one of ours."
_QUALIFIER = "A qualifier, which says this only together with its question."
_UNSEEN = "Its display was not seen in a published source, so that the fit is not graded."


@dataclass(frozen=True, slots=True)
class Match:
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
    return [*found, _absent(catalogue)]


Source = tuple[str, dict[str, str], list[Match], dict[str, str]]


def _sources(catalogue: Catalogue) -> dict[str, Source]:
    """Of each of our systems: what it is, its labels by code, its matches, and why a code has none."""
    items: Source = ("Items", {}, [], {})
    answers: Source = ("Answers", {}, [], {})
    components: Source = ("Components and signs", {}, [], {})
    for item in catalogue.items.values():
        place = f"item {item.id}"
        _put(items, item.id, item.label, place, item.codes, catalogue)
        items[3][item.id] = item.no_standard_code or ""
        by = (("side", item.codes_by.side), ("place", item.codes_by.site), ("method", item.codes_by.method))
        for word, table in by:
            for key, codes in table.items():
                _put(items, item.id, item.label, place, codes, catalogue, f"Only with the {word} {key}.")
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
            _put(answers, f"{item.id}.{answer.id}", answer.label, where, answer.codes, catalogue)
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
            _put(source, term.id, term.label, f"{system} {term.id}", term.codes, catalogue)
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
    matches += [Match(code, label, place, target, only) for target in codes if catalogue.sends(target)]


def _map(
    system: str,
    title: str,
    target: str,
    labels: dict[str, str],
    matches: list[Match],
    reasons: dict[str, str],
    catalogue: Catalogue,
) -> Json:
    shared = Counter(code for _, code in {(match.source, match.target.code) for match in matches})
    elements = []
    for code, label in labels.items():
        own = [match for match in matches if match.source == code]
        targets = _merged(_target(match, shared[match.target.code] > 1, catalogue) for match in own)
        if not targets:
            why = reasons.get(code) or f"No verified code of {catalogue.systems[target].label} means exactly this."
            targets = [{"equivalence": "unmatched", "comment": why}]
        elements.append({"code": code, "display": label, "target": targets})
    group = {"source": catalogue.uri(system), "target": catalogue.uri(target), "element": elements}
    shown = catalogue.systems[target].label
    words = (
        f"{title} of the adapter and the codes of {shown} that are sent beside them. Not signed by a terminologist; "
        "the codes were verified in published sources and not against a current release."
    )
    head = conformance("ConceptMap", f"{system}-to-{target}", f"{title} to {shown}", words, catalogue)
    name = catalogue.systems[system].uri.rpartition("/")[2]
    return {**head, "sourceCanonical": url_of("ValueSet", name, catalogue), "group": [group]}


def _target(match: Match, shared: bool, catalogue: Catalogue) -> Json:
    grade = _grade(match, shared, catalogue)
    found: Json = {"code": match.target.code}
    if match.target.display:
        found["display"] = match.target.display
    found["equivalence"] = grade.equivalence
    return {**found, **({"comment": grade.comment} if grade.comment else {})}


def _grade(match: Match, shared: bool, catalogue: Catalogue) -> Grade:
    """How well the target fits: as the catalogue says, else by what is known of it."""
    said = catalogue.equivalences.get(match.place)
    if said is not None and match.target.code in said.targets:
        return said.targets[match.target.code]
    if match.only:
        return Grade(equivalence="narrower", comment=match.only)
    if catalogue.systems[match.target.system].local:
        return Grade(equivalence="equivalent", comment="As this site says.")
    if shared:
        return Grade(equivalence="wider", comment=_SHARED)
    if ", answer " in match.place and (match.target.display or "").endswith("(qualifier value)"):
        return Grade(equivalence="wider", comment=_QUALIFIER)
    if match.target.display is None:
        return Grade(equivalence="relatedto", comment=_UNSEEN)
    return Grade(equivalence="equivalent")


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
        target = {"code": reason.absent, "equivalence": grade.equivalence}
        if grade.comment:
            target["comment"] = grade.comment
        elements.append({"code": reason.id, "display": reason.label, "target": [target]})
    group = {"source": catalogue.uri("reason"), "target": ABSENT, "element": elements}
    words = "Reasons for not examining and the codes of R4's data-absent-reason that are sent with them."
    head = conformance(
        "ConceptMap", "reason-to-data-absent-reason", "Reasons to data-absent-reason", words, catalogue
    )
    name = catalogue.systems["reason"].uri.rpartition("/")[2]
    return {**head, "sourceCanonical": url_of("ValueSet", name, catalogue), "group": [group]}


def graded(maps: Iterable[Json]) -> Iterator[tuple[str, str]]:
    """Name of the map and equivalence of each of its targets, for counting."""
    for one in maps:
        for group in one["group"]:
            for element in group["element"]:
                yield from ((one["id"], target["equivalence"]) for target in element["target"])
