"""Are the further facts of persons those that the site declares, and of their types?"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import date

from adapter.catalogue.vocabulary import PersonFact
from adapter.exam import Named
from adapter.problems import Problem
from adapter.read.check.subject import Subject
from adapter.read.wording import listed, one_of, shown


def check_facts(subject: Subject) -> Iterator[Problem]:
    """Facts that nobody declared, of another person, or of another type."""
    if subject.newborn is not None:
        yield from _of(subject.newborn, "newborn", "/newborn", subject)
        if subject.newborn.mother is not None:
            yield from _of(subject.newborn.mother, "mother", "/newborn/mother", subject)
    said: dict[str, tuple[tuple[str, bool | str], ...] | None] = {}
    for n, examiner in enumerate(subject.details.examiners if subject.details else ()):
        at = f"/exam/examiners/{n}"
        yield from _of(examiner, "examiner", at, subject)
        who = str(subject.catalogue.resolve(examiner.identifier)) if examiner.identifier else at
        if said.setdefault(who, examiner.facts) != examiner.facts:
            what, remedy = "the facts of this examiner are others than before", "the same with each of her roles"
            yield subject.place(f"{at}/facts").error("wrong-fact", what, remedy)


def _of(person: Named, who: str, at: str, subject: Subject) -> Iterator[Problem]:
    declared = {fact.id: fact for fact in subject.catalogue.person_facts.values() if who in fact.of}
    for name, value in person.facts or ():
        fact, place = declared.get(name), subject.place(f"{at}/facts/{name}")
        if fact is None:
            remedy = one_of(name, declared) if declared else "one that the site declares in person_facts.yaml"
            yield place.error("unknown-fact", f"no fact {shown(name)} of the {who} is declared", remedy)
        elif right := _wanted(fact, value):
            yield place.error("wrong-fact", f"{name} is not what the site declares: a {fact.type}", right)
        elif before := _before(fact, declared, {name for name, _ in person.facts or ()}):
            what = f"{name} is said without {before}, which stands before it in the same extension"
            yield place.error("part-missing", what, f"{before} too, or neither")


def _before(fact: PersonFact, declared: Mapping[str, PersonFact], given: set[str]) -> str:
    """What of the extension of a fact must be there with it and is not: what is required, and of a part that repeats
    the earlier ones; empty where nothing is missing."""
    if fact.part is None:
        return ""
    of_one = [other for other in declared.values() if other.url == fact.url]
    earlier = [other for other in of_one[: of_one.index(fact)] if other.part == fact.part]
    needed = [*(other for other in of_one if other.required), *earlier]
    return next((other.id for other in needed if other.id not in given), "")


def _wanted(fact: PersonFact, value: bool | str) -> str:
    """What would be right; empty where the value is."""
    if fact.type == "boolean":
        return "" if isinstance(value, bool) else "true or false, without quotes"
    if isinstance(value, bool):
        return "text in quotes"
    if fact.values:
        codes = [one.code for one in fact.values]
        return "" if value in codes else f"one of {listed(codes, 20)}"
    if fact.type == "date":
        return "" if _is_date(value) else "a date, such as 2026-03-01"
    return ""


def _is_date(text: str) -> bool:
    """A whole date (FHIR R4 date, without the months and years alone that it also takes)."""
    try:
        return bool(re.fullmatch(r"\d{4}-\d\d-\d\d", text)) and date.fromisoformat(text) is not None
    except ValueError:
        return False
