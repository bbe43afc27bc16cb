"""Which questions and answers carry published codes, and which the project's own code alone."""

from __future__ import annotations

from enum import StrEnum

from adapter.catalogue.model import Codes, Item


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
    by = item.codes_by
    further = (codes for table in (by.side, by.site, by.method) for codes in table.values())
    return coverage(item.codes + tuple(code for codes in further for code in codes))


def answer_shares(item: Item) -> tuple[int, int]:
    """How many of an item's answers carry a published code, and how many there are."""
    return sum(coverage(answer.codes) is not Coverage.LOCAL for answer in item.answers), len(item.answers)
