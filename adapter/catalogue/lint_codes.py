"""Faults of the codes: what nobody verified or graded, what has another role, what says more than was recorded."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import chain
from typing import NamedTuple

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.checkdigits import loinc_is_valid, snomed_is_valid
from adapter.catalogue.code import MAP_ONLY, Code, Codes
from adapter.catalogue.model import Item, ItemType, Meaning
from adapter.catalogue.verified import VerifiedCode
from adapter.catalogue.vocabulary import Term
from adapter.problems import Problem

PUBLISHED = ("loinc", "snomed", "hpo")

# What a code of a system may be, by what it stands for: SNOMED CT semantic tags, kinds of LOINC codes.
_QUESTION = {"snomed": ("observable entity",), "loinc": ("observable", "panel", "document")}
_VALUE = {"snomed": ("finding", "disorder", "qualifier value"), "loinc": ("answer",), "hpo": ("phenotype",)}
ROLES: dict[str, dict[str, tuple[str, ...]]] = {
    "question": _QUESTION,
    "value": _VALUE,
    "site": {"snomed": ("body structure",)},
    "method": {"snomed": ("procedure", "regime/therapy", "qualifier value"), "loinc": ("answer",)},
    "state": {"snomed": ("finding", "qualifier value")},
    "side": {"snomed": ("qualifier value",)},
    "reason": {"snomed": ("finding", "qualifier value", "situation"), "loinc": ("answer",)},
    "role": {"snomed": ("occupation",)},
    "kind": {"loinc": ("document", "observable", "panel")},
}
_SHOULD_BE = {
    "question": "LOINC or a SNOMED CT observable entity (FHIR R4 Observation.code, section 10.1.4)",
    "value": "a SNOMED CT finding, disorder or qualifier, or a LOINC answer",
    "site": "a SNOMED CT body structure",
    "method": "a SNOMED CT procedure or technique",
}

PRESENCE = frozenset(
    ("52101004", "2667000", "10828004", "260385009", "260373001", "260415000", "17621005", "9726003", "255473004")
)
"""SNOMED CT qualifiers that say of any question the same: present, absent, positive, negative, detected, not
detected, normal, equal, symmetrical. Others (severe, decreased, generalized) say nothing without what they are of."""

_WITH_REMARK = re.compile(
    r"\((finding|disorder|situation|observable entity|body structure|procedure|qualifier value)\)$|not seen\)$"
)


class CodePlace(NamedTuple):
    """Where codes stand: in words, what they are for, whether they hold only under a condition, or are maps."""

    where: str
    role: str
    codes: Codes
    conditional: bool = False
    maps: bool = False


def places(catalogue: Catalogue) -> Iterator[CodePlace]:
    """Every list of codes of the catalogue."""
    for region in catalogue.regions.values():
        yield CodePlace(f"region {region.region}", "question", region.codes)
        yield CodePlace(f"region {region.region}", "question", region.section_codes)
        yield from chain.from_iterable(map(of_item, region.items))
    lists: dict[str, Iterable[Term]] = {
        "site": catalogue.sites.values(),
        "reason": catalogue.reasons.values(),
        "method": catalogue.methods.values(),
        "state": catalogue.states.values(),
        "role": catalogue.roles.values(),
        "side": catalogue.sides.values(),
    }
    for role, terms in lists.items():
        for term in terms:
            yield CodePlace(f"{role} {term.id}", role, term.codes)
            yield CodePlace(f"{role} {term.id}", role, term.maps, maps=True)
    for site in catalogue.sites.values():
        yield CodePlace(f"site {site.id}", "site", (*site.left, *site.right), conditional=True)
    for section in catalogue.sections.values():
        yield CodePlace(f"section {section.id}", "question", section.codes)
    for kind in catalogue.kinds.values():
        yield CodePlace(f"kind {kind.id}", "kind", kind.codes)
        yield CodePlace(f"kind {kind.id}", "kind", kind.encounter_type, conditional=True)


def of_item(item: Item) -> Iterator[CodePlace]:
    """Every list of codes of an item."""
    at = f"item {item.id}"
    yield CodePlace(at, "question", item.codes)
    yield CodePlace(at, "question", item.maps, maps=True)
    conditions = (codes for _, _, codes in item.codes_by.conditions())
    for codes in (*conditions, *(other.codes for other in item.other_units)):
        yield CodePlace(at, "question", codes, conditional=True)
    for codes in (item.not_done.codes, item.not_done.left, item.not_done.right):
        yield CodePlace(f"{at}, not done", "question", codes, conditional=True)
    for component in item.components:
        yield CodePlace(f"{at}, component {component.id}", "question", component.codes)
    for sign in item.signs:
        yield CodePlace(f"{at}, sign {sign.id}", "question", sign.codes)
    for answer in item.answers:
        yield CodePlace(f"{at}, answer {answer.id}", "value", answer.codes)
        yield CodePlace(f"{at}, answer {answer.id}", "value", answer.maps, maps=True)
    for sign in item.signs:
        for choice in sign.answers:
            yield CodePlace(f"{at}, sign {sign.id}, answer {choice.id}", "value", choice.codes)


def lint_codes(catalogue: Catalogue) -> Iterator[Problem]:
    """All faults of the codes, in the order of the exam."""
    for place in places(catalogue):
        for code in place.codes:
            yield from _code(place, code, catalogue)
    for item in catalogue.items.values():
        yield from _answers(item, catalogue)
    yield from _same_label(catalogue)
    yield from _twice(catalogue)
    yield from _two_displays(catalogue)


def path_of(where: str) -> tuple[str, ...]:
    """The path of :class:`adapter.catalogue.places.Places` of a place in words: ``item murmur, answer loud``."""
    steps = (part.partition(" ") for part in where.split(", "))
    return tuple(step for word, _, name in steps for step in (f"{word}s", name) if name) or (where,)


def local_path_of(where: str) -> tuple[str, ...]:
    """The path of a site's own code for a place in words."""
    path = path_of(where)
    return ("local_codes", path[-2], ".".join(path[1::2])) if len(path) > 1 else ("local_codes", *path)


def _problem(
    catalogue: Catalogue, where: str, rule: str, what: str, remedy: str, code: Code | None = None
) -> Problem:
    path = path_of(where)
    item = path[1] if path[0] in ("items", "regions") else ""
    system = catalogue.systems.get(code.system) if code else None
    if code is not None and system is not None and system.local:
        return catalogue.fault(local_path_of(where), rule, what, remedy, item=item)
    return catalogue.fault(path, rule, what, remedy, item=item, says=str(code or ""))


def _code(place: CodePlace, code: Code, catalogue: Catalogue) -> Iterator[Problem]:
    def said(rule: str, what: str, remedy: str) -> Problem:
        return _problem(catalogue, place.where, rule, f"{place.where}: {what}", remedy, code)

    if code.system not in catalogue.systems:
        yield said("unknown-system", f"system of {code} is not defined", "add it to systems.yaml")
        return
    valid = {"loinc": loinc_is_valid, "snomed": snomed_is_valid}.get(code.system)
    if valid and not code.code.startswith("LA") and not valid(code.code):
        yield said("check-digit", f"{code} fails its check digit", "look the code up again; never guess")
        return
    yield from _grade(place, code, catalogue)
    if code.system not in PUBLISHED:
        return
    row = catalogue.verified.get((code.system, code.code))
    if row is None:
        yield said("not-verified", f"{code} is not in codes.csv", "verify it, then add it there")
    elif row.status != "verified":
        yield said("not-verified", f"{code} is marked {row.status} in codes.csv", "another code, or none")
    else:
        yield from _verified(place, code, row, catalogue)


def _verified(place: CodePlace, code: Code, row: VerifiedCode, catalogue: Catalogue) -> Iterator[Problem]:
    def said(rule: str, what: str, remedy: str) -> Problem:
        return _problem(catalogue, place.where, rule, f"{place.where}: {what}", remedy, code)

    if (code.display or "") != row.display:
        remedy = f"'{row.display}'" if row.display else "no display: none was verified"
        yield said("display", f"display of {code} is not the verified one", remedy)
    if _WITH_REMARK.search(row.display):
        what = f"display of {code} is a full name with its tag, or has a remark"
        yield said("display", what, "the preferred term or the LOINC long common name, or none")
    if place.maps:
        return
    if code.system == "hpo" and place.role != "value":
        yield said("hpo-place", f"{code} names an abnormality", "no HPO term where no abnormal finding is said")
    elif row.kind not in ROLES[place.role].get(code.system, ()):
        what = f"{code} is a {row.kind or 'code of a kind that was not seen'}, not a {place.role}"
        rule = "finding-as-question" if place.role == "question" else "code-role"
        yield said(rule, what, _SHOULD_BE.get(place.role, "another code, or none"))


def _grade(place: CodePlace, code: Code, catalogue: Catalogue) -> Iterator[Problem]:
    def said(rule: str, what: str, remedy: str) -> Problem:
        return _problem(catalogue, place.where, rule, f"{place.where}: {what}", remedy, code)

    if code.fit is None:
        grades = "equivalent, wider, narrower, inexact or relatedto after it"
        yield said("ungraded", f"nobody says how well {code} fits", grades)
        return
    if code.by not in catalogue.graders:
        yield said("unknown-reference", f"'{code.by}', who graded {code}, is not defined", "add it to graders.yaml")
    if code.fit in ("inexact", "narrower") and not code.comment and not place.conditional:
        yield said("grade-comment", f"{code} is {code.fit} and nothing says why", "a comment in parentheses (cmd-1)")
    if place.maps and code.fit not in (*MAP_ONLY, "narrower"):
        yield said("map-only", f"{code} is {code.fit} and stands under maps", "put it under codes, where it is sent")
    if place.maps:
        return
    if code.fit in MAP_ONLY:
        what = f"{code} is {code.fit}, and would be sent as if it meant the same"
        yield said("inexact-coding", what, "put it under maps, for the ConceptMap alone")
    if code.fit == "narrower" and place.role != "question" and not place.conditional:
        yield said("narrower-value", f"{code} says more than what was recorded", "put it under maps, or a wider code")
    row = catalogue.verified.get((code.system, code.code))
    qualifier = row is not None and row.kind == "qualifier value"
    if place.role == "value" and qualifier and code.fit != "wider":
        yield said("qualifier-grade", f"{code} says this only together with its question", "wider")


def _answers(item: Item, catalogue: Catalogue) -> Iterator[Problem]:
    def said(rule: str, what: str, remedy: str) -> Problem:
        return _problem(catalogue, f"item {item.id}, answer {one.id}", rule, what, remedy)

    asked = bool(_asked(item, catalogue))
    for one in item.answers:
        kinds = [row for code in one.codes if (row := catalogue.verified.get((code.system, code.code)))]
        sent = [row for row in kinds if row.system != "hpo"]
        bare = bool(sent) and all(row.kind == "qualifier value" and row.code not in PRESENCE for row in sent)
        if bare and (not asked or one.own_question):
            what = f"answer '{one.id}' is sent as '{sent[0].display}', and nothing published says of what"
            yield said("context-free-value", what, "a finding that says what it is beside it, or no code")
        if one.own_question and not asked:
            yield said("own-question", f"'{one.id}' leaves out published codes that there are none of", "remove it")
        if one.meaning is Meaning.EXPECTED and any(code.system == "hpo" for code in (*one.codes, *one.maps)):
            yield said("hpo-place", f"answer '{one.id}' is expected, HPO names abnormalities", "no HPO term")


def _asked(item: Item, catalogue: Catalogue) -> list[Code]:
    """The published codes of the question, whatever they hold for."""
    every = chain(item.codes, *(codes for _, _, codes in item.codes_by.conditions()))
    return [code for code in every if code.system in catalogue.systems and not catalogue.systems[code.system].local]


def _same_label(catalogue: Catalogue) -> Iterator[Problem]:
    """Answers of one wording have the same qualifiers: "Absent" is Absent everywhere or nowhere."""
    first: dict[str, tuple[str, frozenset[str]]] = {}
    for item in catalogue.items.values():
        if item.type not in (ItemType.CHOICE, ItemType.CHOICES):
            continue
        for answer in item.answers:
            if answer.codes and not any(code.system in PUBLISHED for code in answer.codes):
                continue  # a site has its own code in place of the published ones
            rows = (catalogue.verified.get((code.system, code.code)) for code in answer.codes)
            qualifiers = frozenset(row.code for row in rows if row and row.kind == "qualifier value")
            place = f"{item.id}.{answer.id}"
            before = first.setdefault(answer.label.casefold(), (place, qualifiers))
            if before[1] != qualifiers:
                what = f"'{answer.label}' has other qualifiers at {place} than at {before[0]}"
                yield _problem(
                    catalogue,
                    f"item {item.id}, answer {answer.id}",
                    "unequal-answers",
                    what,
                    "the same for both, or for neither",
                )


def _twice(catalogue: Catalogue) -> Iterator[Problem]:
    """Two answers, two questions or two sites cannot both be all that one code means."""
    first: dict[tuple[str, str, str], str] = {}
    for place in places(catalogue):
        if place.conditional or place.maps:
            continue
        kind = place.where.split()[0] if place.role != "value" else "answer"
        part = "part" if ", component " in place.where or ", sign " in place.where else ""
        for code in place.codes:
            system = catalogue.systems.get(code.system)
            if code.fit not in ("equal", "equivalent") or system is None or system.local:
                continue
            before = first.setdefault((kind if place.role == "value" else kind + part, *_key(code)), place.where)
            if before != place.where:
                what = f"{before} and {place.where} are both equivalent to {code}"
                yield _problem(
                    catalogue, place.where, "equivalent-twice", what, "wider for both, or another code for one", code
                )


def _key(code: Code) -> tuple[str, str]:
    return code.system, code.code


def _two_displays(catalogue: Catalogue) -> Iterator[Problem]:
    """A site's own code is called the same wherever it stands."""
    displays: dict[tuple[str, str], tuple[str, str]] = {}
    for place in places(catalogue):
        for code in place.codes:
            if code.display and code.system not in PUBLISHED:
                before = displays.setdefault(_key(code), (code.display, place.where))
                if before[0] != code.display:
                    what = f"{place.where}: {code} has display '{before[0]}' at {before[1]}"
                    yield _problem(catalogue, place.where, "two-displays", what, "one display for one code", code)
