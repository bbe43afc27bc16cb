"""Which questions and answers carry published codes, and which the project's own code alone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.code import Code, Codes
from adapter.catalogue.model import Item


class Coverage(StrEnum):
    """The published code systems that a question or an answer is coded in."""

    BOTH = "both"
    LOINC = "loinc"
    SNOMED = "snomed"
    LOCAL = "local"


def coverage(codes: Codes) -> Coverage:
    """What a list of codes covers."""
    systems = {code.system for code in codes}
    if {"loinc", "snomed"} <= systems:
        return Coverage.BOTH
    if "loinc" in systems:
        return Coverage.LOINC
    return Coverage.SNOMED if "snomed" in systems else Coverage.LOCAL


def question_coverage(item: Item) -> Coverage:
    """What an item's question is coded in; codes that hold only for a side, site or method count too."""
    return coverage(item.codes + tuple(code for _, _, codes in item.codes_by.conditions() for code in codes))


def answer_shares(item: Item) -> tuple[int, int]:
    """How many of an item's answers carry a published code, and how many there are."""
    return sum(coverage(answer.codes) is not Coverage.LOCAL for answer in item.answers), len(item.answers)


@dataclass(frozen=True, slots=True)
class Coded:
    """A question or an answer and the published codes that the site sends for it.

    ``kind`` is item, component, sign or answer; ``place`` is its own code (``item.answer``); ``why`` says why it has
    the project's own code alone, and is empty where it has another.
    """

    kind: str
    place: str
    label: str
    covered: Coverage
    codes: tuple[Code, ...]
    why: str


_NO_ANSWER = "No code in codes.csv was verified to mean exactly this answer, neither more nor less."
_NO_PART = "No code in codes.csv was verified to mean exactly this part of the measurement or score."


def coded(items: Iterable[Item], catalogue: Catalogue) -> Iterator[Coded]:
    """Every question, part and answer of the items in their order; counted as this site sends its codes."""
    for item in items:
        conditions = (codes for _, _, codes in item.codes_by.conditions())
        further = [code for codes in (*conditions, *(other.codes for other in item.other_units)) for code in codes]
        every = (*item.codes, *dict.fromkeys(code for code in further if code not in item.codes))
        why = item.no_standard_code or "No verified code means exactly this question."
        yield _coded("item", item.id, item.label, every, why, catalogue)
        for component in item.components:
            place = f"{item.id}.{component.id}"
            yield _coded("component", place, component.label, component.codes, _NO_PART, catalogue)
        for sign in item.signs:
            yield _coded("sign", f"{item.id}.{sign.id}", sign.label, sign.codes, _NO_PART, catalogue)
            for points in sign.answers:
                place = f"{item.id}.{sign.id}.{points.id}"
                yield _coded("answer", place, points.label, points.codes, _NO_ANSWER, catalogue)
        for answer in item.answers:
            yield _coded("answer", f"{item.id}.{answer.id}", answer.label, answer.codes, _NO_ANSWER, catalogue)


def _coded(kind: str, place: str, label: str, codes: Codes, why: str, catalogue: Catalogue) -> Coded:
    sent = tuple(code for code in codes if catalogue.sends(code))
    covered = coverage(sent)
    if covered is not Coverage.LOCAL:
        return Coded(kind, place, label, covered, sent, "")
    if any(code.system == "snomed" for code in codes):
        why = f"SNOMED CT is set to {catalogue.settings.snomed} at this site, and its code is not sent."
    elif codes:
        why = f"This site sends a code of its own: {', '.join(str(code) for code in codes)}."
    return Coded(kind, place, label, covered, sent, why)
