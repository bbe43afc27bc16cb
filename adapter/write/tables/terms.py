"""Codes and allowed values of the catalogue as the tables show them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from functools import lru_cache

from adapter.catalogue import Catalogue, Code, Item, Meaning
from adapter.catalogue.codings import Coding, codings
from adapter.catalogue.vocabulary import Kind, Term
from adapter.exam import Side, Urgency

Allowed = tuple[tuple[str, str], ...]

MEANINGS: Allowed = tuple((meaning.value, f"the finding is {meaning.value}") for meaning in Meaning)
NOT_JUDGED = "not_judged"
WORST: Allowed = (*MEANINGS, (NOT_JUDGED, "a finding that nothing judges is among them: never expected"))
URGENCIES: Allowed = tuple((urgency.value, urgency.value.replace("-", " ")) for urgency in Urgency)
SIDES: Allowed = tuple((side.value, f"the infant's own {side.value}") for side in Side)


def words(values: type[StrEnum]) -> Allowed:
    """The values of an enumeration, which speak for themselves."""
    return tuple((value.value, value.value) for value in values)


def terms(found: Mapping[str, Term] | Mapping[str, Kind]) -> Allowed:
    """A vocabulary of the catalogue."""
    return tuple((term.id, term.label) for term in found.values())


def answers(item: Item) -> Allowed:
    """The answers of an item."""
    return tuple((answer.id, answer.label) for answer in item.answers)


def published(codes: Iterable[Code], catalogue: Catalogue) -> tuple[str, ...]:
    """The codes that the site sends, each with its system."""
    return tuple(f"{code.system} {code.code}" for code in codes if catalogue.sends(code))


@lru_cache(maxsize=65536)
def question_codes(
    catalogue: Catalogue,
    item: str,
    side: Side | None,
    site: str | None,
    method: str | None,
    unit: str | None,
    answer: str | None = None,
) -> tuple[str | None, str | None]:
    """LOINC and SNOMED CT codes of a question as it is sent with an answer, ``;`` between several."""
    parts = codings(catalogue)
    return _split(parts.question(item, side, site, method, unit, parts.own_question(item, answer)), catalogue)


@lru_cache(maxsize=65536)
def answer_codes(catalogue: Catalogue, item: str, answer: str) -> tuple[str | None, str | None]:
    """LOINC and SNOMED CT codes of an answer as it is sent."""
    return _split(codings(catalogue).answer(item, answer), catalogue)


@lru_cache(maxsize=4096)
def site_codes(catalogue: Catalogue, site: str, side: Side | None) -> tuple[str | None, str | None]:
    """LOINC and SNOMED CT codes of a place as it is sent."""
    return _split(codings(catalogue).body_site(site, side), catalogue)


@lru_cache(maxsize=4096)
def part_codes(
    catalogue: Catalogue, item: str, part: str, answer: str | None = None
) -> tuple[str | None, str | None]:
    """LOINC and SNOMED CT codes of a component or sign, or of the answer to a sign."""
    parts = codings(catalogue)
    if catalogue.items[item].component(part) is not None:
        return _split(parts.component(item, part), catalogue)
    return _split(parts.sign(item, part) if answer is None else parts.sign_answer(item, part, answer), catalogue)


def _split(coding: list[Coding], catalogue: Catalogue) -> tuple[str | None, str | None]:
    found = []
    for system in (catalogue.uri("loinc"), catalogue.uri("snomed")):
        found.append(";".join(c["code"] for c in coding if c["system"] == system) or None)
    return found[0], found[1]
