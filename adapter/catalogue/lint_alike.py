"""What nobody could tell apart: one word for two things, two codes for one thing, one spelling for two units."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.places import Step
from adapter.problems import Problem

_LISTS = ("reasons", "states", "methods", "roles", "kinds", "sides", "meanings", "urgencies", "rules")
Entry = tuple[tuple[Step, ...], str, str]
"""Path, id and words."""


def lint_alike(catalogue: Catalogue) -> Iterator[Problem]:
    """Blank words, words that two entries of one list share, units and local codes likewise, claims made twice."""
    for rule in catalogue.rules.values():
        if not rule.reason.strip():
            path, where = ("rules", rule.id, "reason"), f"rules.{rule.id}"
            yield catalogue.fault(path, "blank", f"{rule.id} has no reason in words", "why it is told", where=where)
    for some in _choices(catalogue):
        yield from _words(some, catalogue)
    yield from _units(catalogue)
    yield from _local(catalogue)
    yield from _claims(catalogue)


def _choices(catalogue: Catalogue) -> Iterator[list[Entry]]:
    """Each list of words that somebody chooses from or reads side by side; not what is retired."""
    for name in _LISTS:
        entries = getattr(catalogue, name).values()
        yield [((name, one.id), one.id, one.label) for one in entries]
    offered = catalogue.offered.values()
    yield [(("items", item.id), item.id, item.label) for item in offered]
    for item in offered:
        at = ("items", item.id)
        yield [(("sites", name), name, catalogue.sites[name].label) for name in item.sites if name in catalogue.sites]
        yield [((*at, "answers", one.id), one.id, one.label) for one in item.offered]
        yield [((*at, "components", one.id), one.id, one.label) for one in item.components]
        # signs of one group are asked of one infant alone (the genital rows of a maturity score)
        yield [((*at, "signs", one.id), one.id, one.label) for one in item.signs if one.group is None]
        for sign in item.signs:
            within = (*at, "signs", sign.id, "answers")
            yield [((*within, one.id), one.id, one.label) for one in sign.answers]


def _words(some: Iterable[Entry], catalogue: Catalogue) -> Iterator[Problem]:
    seen: dict[str, str] = {}
    for path, name, label in some:
        words = " ".join(label.split()).casefold()
        where = ".".join(map(str, path))
        if not words:
            yield catalogue.fault((*path, "label"), "blank", f"{name} has no words", "a label", where=where)
        elif (first := seen.setdefault(words, name)) != name:
            what = f"{name} is called '{label}', and so is {first}: nobody could tell one from the other"
            yield catalogue.fault((*path, "label"), "same-words", what, "other words for one of them", where=where)


def _units(catalogue: Catalogue) -> Iterator[Problem]:
    """Spellings that two units share: a number would be read in the wrong one."""
    seen: dict[str, str] = {}
    for unit in catalogue.units.values():
        for spelling in (unit.ucum, *unit.spellings):
            first = seen.setdefault(spelling, unit.ucum)
            if first != unit.ucum:
                what = f"'{spelling}' is written for {unit.ucum} and for {first}"
                path = ("units", unit.ucum, "spellings")
                yield catalogue.fault(path, "same-unit", what, "a spelling of one of them alone", where=unit.ucum)
        for field in ("label", "printed"):
            shown = getattr(unit, field)
            other = catalogue.units.find(shown) if shown else None
            if other is not None and other.ucum != unit.ucum:
                what = f"{unit.ucum} is shown as '{shown}', which is how {other.ucum} is written"
                yield catalogue.fault(
                    ("units", unit.ucum, field), "same-unit", what, "words that are no other unit", where=unit.ucum
                )


def _local(catalogue: Catalogue) -> Iterator[Problem]:
    """Two codes of one local system for one item or answer: a receiver would have to choose."""
    local = {name for name, system in catalogue.systems.items() if system.local}
    for item in catalogue.items.values():
        held = [(("items", item.id), item.id, item.codes)]
        held += [(("answers", f"{item.id}.{a.id}"), f"{item.id}.{a.id}", a.codes) for a in item.answers]
        for path, name, codes in held:
            for system in sorted(local):
                own = sorted({code.code for code in codes if code.system == system})
                if len(own) > 1:
                    what = f"{name} has {' and '.join(own)} of {system}"
                    remedy = "one code of a system for one meaning"
                    yield catalogue.fault(("local_codes", *path), "two-codes", what, remedy, where=name)


def _claims(catalogue: Catalogue) -> Iterator[Problem]:
    """A profile claimed twice of the same resources: it would stand twice in meta.profile."""
    seen: dict[object, str] = {}
    for claim in catalogue.profiles.values():
        if claim.on:
            same = claim.model_dump_json(exclude={"id"})
            first = seen.setdefault(same, claim.id)
            if first != claim.id:
                what = f"claims {claim.url} as {first} does"
                yield catalogue.fault(
                    ("profiles", claim.id), "profile-claim", what, "one of the two", where=f"profiles.{claim.id}"
                )
