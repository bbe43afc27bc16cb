"""ValueSets: the codes of each of our systems, the answers of each item, units, and what is sent of others' codes.

FHIR R4 ValueSet (section 4.9). Codes of others are listed one by one, each of them verified (``codes.csv``); nothing
here asks a terminology server for a filter.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from adapter.catalogue import Catalogue, Code, Item
from adapter.fhir.json import Json
from adapter.write.package.names import conformance

UNITS = "exam-units"
QUESTIONS = "published-questions"
ANSWERS = "published-answers"


def value_sets(catalogue: Catalogue) -> list[Json]:
    """All value sets, those of whole systems first."""
    found = []
    for system in catalogue.systems.values():
        if system.own:
            name = system.uri.rpartition("/")[2]
            include = [{"system": catalogue.uri(system.id)}]
            found.append(_value_set(name, system.label, f"All codes: {system.label}.", include, catalogue))
    found += [_answers_of(item, catalogue) for item in catalogue.items.values() if item.answers]
    found.append(_units(catalogue))
    places = list(catalogue.codes())
    questions = [code for place, code in places if "answer" not in place and place.startswith(("item", "region"))]
    answers = [code for place, code in places if ", answer " in place]
    for name, title, codes in (
        (QUESTIONS, "Published codes of questions", questions),
        (ANSWERS, "Published codes of answers", answers),
    ):
        include = list(_listed(codes, catalogue))
        if include:
            words = f"{title}: those that this site sends beside its own, each verified."
            found.append(_value_set(name, title, words, include, catalogue))
    return found


def answers_name(item: Item) -> str:
    """The name of the value set of an item's answers."""
    return f"answers-{item.id}"


def _value_set(name: str, title: str, words: str, include: list[Json], catalogue: Catalogue) -> Json:
    return {**conformance("ValueSet", name, title, words, catalogue), "compose": {"include": include}}


def _answers_of(item: Item, catalogue: Catalogue) -> Json:
    own = {
        "system": catalogue.uri("answer"),
        "concept": [{"code": f"{item.id}.{answer.id}", "display": answer.label} for answer in item.answers],
    }
    published = _listed((code for answer in item.answers for code in answer.codes), catalogue)
    title = f"Answers: {item.label}"
    words = f"{title}; ours, and what is sent beside them."
    return _value_set(answers_name(item), title, words, [own, *published], catalogue)


def _listed(codes: Iterable[Code], catalogue: Catalogue) -> Iterator[Json]:
    """The codes that the site sends, each once, system by system."""
    by: dict[str, dict[str, Code]] = {}
    for code in codes:
        if catalogue.sends(code):
            by.setdefault(code.system, {}).setdefault(code.code, code)
    for system, held in by.items():
        concepts = [{"code": c.code, **({"display": c.display} if c.display else {})} for c in held.values()]
        version = catalogue.systems[system].version
        yield {"system": catalogue.uri(system), **({"version": version} if version else {}), "concept": concepts}


def _units(catalogue: Catalogue) -> Json:
    concepts = [{"code": unit.ucum, "display": unit.label} for unit in catalogue.units.values()]
    include = [{"system": catalogue.uri("ucum"), "concept": concepts}]
    return _value_set(UNITS, "Units", "The UCUM units that are sent.", include, catalogue)
