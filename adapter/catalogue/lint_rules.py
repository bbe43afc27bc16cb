"""Faults of the rules and of the tables that computations read."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.lint_holds import always, empty, never
from adapter.catalogue.model import Condition, Item, ItemType, Limits, Sides, Span
from adapter.catalogue.rules import NotJudged, Rule, When
from adapter.exam.model import Urgency
from adapter.problems import Problem

OBX_17 = 199
"""What a part of OBX-17 takes (HL7 v2.5.1, chapter 2.A, CE.2), where messages name what made a finding."""
_SOONER = tuple(Urgency)
_OF_ITS_EXAM = ("side_difference", "bilirubin_line")
"""Items of what is said of an exam's findings in words, and counts for rules in that exam alone."""
_NUMBERS = (ItemType.QUANTITY, ItemType.QUANTITIES, ItemType.SCORE, ItemType.TIME)


def lint_rules(catalogue: Catalogue) -> Iterator[Problem]:
    """Rules that name what is not there, that cannot hold, that say nothing or have no source; tables likewise."""
    for rule in catalogue.rules.values():
        yield from _rule(rule, catalogue)
    for one in catalogue.not_judged.values():
        yield from _not_judged(one, catalogue)
    yield from _tables(catalogue)


def _rule(rule: Rule, catalogue: Catalogue) -> Iterator[Problem]:
    def report(kind: str, what: str, remedy: str, says: str = "") -> Problem:
        return catalogue.fault(("rules", rule.id), kind, f"rule {rule.id}: {what}", remedy, says=says)

    if rule.source not in catalogue.sources:
        yield report(
            "unknown-reference", f"source '{rule.source}' is not defined", "a source of sources.yaml", "source"
        )
    elif rule.on and catalogue.sources[rule.source].mark == "memory":
        what = "rests on memory and is switched on"
        yield report("unsigned-rule", what, "on: false, or the source that a clinician signed it by", "source")
    elif len(f"{rule.label}, version {catalogue.settings.version}; {catalogue.sources[rule.source].label}") > OBX_17:
        what = f"label, version and source have more than {OBX_17} characters together"
        yield report(
            "too-long", what, "a shorter label, of the rule or its source: HL7 v2.5.1, OBX-17 takes no more", "label"
        )
    if rule.urgency is Urgency.NONE:
        yield report(
            "rule-says-nothing", "its urgency is none", "one that is told; on: false to switch it off", "urgency"
        )
    for other in rule.replaces:
        if other not in catalogue.rules or other == rule.id:
            yield report(
                "unknown-reference", f"replaces '{other}', which is no other rule", "a rule's id", "replaces"
            )
        elif rule.on and catalogue.rules[other].on and _later(rule, catalogue.rules[other]):
            what = f"is told {rule.urgency} in place of {other}, which is told {catalogue.rules[other].urgency}"
            yield report("told-later", what, "an urgency that is no lower, or replaces without it", other)
    for item in rule.answered_by:
        if item not in catalogue.items:
            what = f"answered_by '{item}', which is no item"
            yield report("unknown-reference", what, "an item's id", "answered_by")
    if rule.id in _replaced(rule, catalogue):
        what = "replaces a rule that replaces it in turn: none of them would be told"
        yield report("never-told", what, "one of them replaces the other", "replaces")
    if not rule.when.of_this_exam:
        what = "can hold by earlier exams alone, and its line would be of nothing that this exam found"
        yield report("rule-asks-nothing", what, "a condition on this exam beside it", "earlier")
    yield from (report(*fault) for fault in condition_faults(rule.when, catalogue))
    if always(rule.when, catalogue):
        what = "holds of every newborn, whatever was found"
        yield report("always-holds", what, "what sets these newborns apart from the others", "when")


def _later(rule: Rule, other: Rule) -> bool:
    return _SOONER.index(rule.urgency) < _SOONER.index(other.urgency)


def _replaced(rule: Rule, catalogue: Catalogue) -> set[str]:
    """What a rule replaces, and what that replaces in turn."""
    found: set[str] = set()
    waiting = list(rule.replaces)
    while waiting:
        name = waiting.pop()
        if name not in found and name in catalogue.rules:
            found.add(name)
            waiting += catalogue.rules[name].replaces
    return found


def condition_faults(
    when: When, catalogue: Catalogue, of_what_is_said: bool = False
) -> Iterator[tuple[str, str, str, str]]:
    """What is wrong with a condition: the kind of fault, what, what would be right, and the word that is meant.

    ``of_what_is_said``: it is asked before anything is judged, of one exam, so that it can ask neither what a finding
    means nor what other exams found.
    """
    for item in _of_no_side(when, catalogue):
        what = f"asks {item} of both sides, and it is not examined on each"
        yield "both-sides", what, "items of each side in the group", item
    for leaf in when.leaves():
        if of_what_is_said and (leaf.meanings or leaf.flags):
            what = "asks what a finding means, which it helps to decide"
            yield "rule-asks-nothing", what, "answers, a number or a gap", ""
        if of_what_is_said and leaf.over_exams:
            what = "asks of several exams, and is asked of one alone"
            yield "rule-asks-nothing", what, "answers, a number or a gap of this exam", leaf.item or ""
        yield from _leaf(leaf, catalogue)
    for what, remedy, says in never(when, catalogue):
        yield "never-holds", what, remedy, says


def _not_judged(one: NotJudged, catalogue: Catalogue) -> Iterator[Problem]:
    def report(kind: str, what: str, remedy: str, says: str = "") -> Problem:
        return catalogue.fault(("not_judged", one.id), kind, f"{one.id}: {what}", remedy, says=says)

    for name in sorted({*one.items, *one.but} - {*catalogue.items}):
        yield report("unknown-reference", f"'{name}' is not in the catalogue", "an item that exists", name)
    if one.source not in catalogue.sources:
        yield report(
            "unknown-reference", f"source '{one.source}' is not defined", "a source of sources.yaml", "source"
        )
    if one.items and one.but:
        yield report("both-lists", "gives items and but", "one of the two", "but")
    if not one.items and one.when == Condition() and one.beside is None:
        what = "holds of every number of every newborn: nothing would be expected any more"
        yield report("always-holds", what, "items, when or beside", "label")
    if one.beside is not None:
        yield from (report(*fault) for fault in condition_faults(one.beside, catalogue, of_what_is_said=True))


def _of_no_side(when: When, catalogue: Catalogue) -> Iterator[str]:
    """Items that a group asks of both sides though one finding of theirs would answer for both."""
    for part in when.parts:
        yield from _of_no_side(part, catalogue)
    if when.both_sides:
        for leaf in when.leaves():
            item = catalogue.items.get(leaf.item or "")
            if item is None or item.sides is not Sides.EACH:
                yield leaf.item or "what has no item"


def _leaf(leaf: When, catalogue: Catalogue) -> Iterator[tuple[str, str, str, str]]:
    """What is wrong with a leaf: the kind of fault, what, what would be right, and the word that is meant."""
    for name, span in (
        ("number", leaf.number),
        ("change", leaf.change),
        ("age_hours", leaf.age_hours),
        ("gestation", leaf.gestation_weeks),
    ):
        if span is not None and empty(span):
            yield "never-holds", f"{name} '{span}' holds no number", "low before high", name
    if leaf.item is None:
        for reason in sorted({*leaf.not_examined} - {"any"} - {*catalogue.reasons}):
            yield (
                "unknown-reference",
                f"there is no reason '{reason}'",
                f"one of {', '.join(catalogue.reasons)}",
                reason,
            )
        return
    item = catalogue.items.get(leaf.item)
    if item is None:
        yield "unknown-reference", f"item '{leaf.item}' is not in the catalogue", "an item that exists", leaf.item
        return
    for answer in leaf.answers:
        if item.answer(answer) is None:
            yield "unknown-reference", f"{item.id} has no answer '{answer}'", "an answer it has", answer
    for kind, names, known in (
        ("site", (*leaf.sites, *(leaf.minus.sites if leaf.minus else ())), item.sites),
        ("reason", set(leaf.not_examined) - {"any"}, tuple(catalogue.reasons)),
        ("component", filter(None, [leaf.component]), tuple(c.id for c in item.components)),
    ):
        for name in names:
            if name not in known:
                what, remedy = f"{item.id} has no {kind} '{name}'", f"one of {', '.join(known) or 'none'}"
                yield "unknown-reference", what, remedy, str(name)
    yield from _asks_right(leaf, item, catalogue)


def _asks_right(leaf: When, item: Item, catalogue: Catalogue) -> Iterator[tuple[str, str, str, str]]:
    """Whether what is asked can be asked of an item of this type."""
    asked = (leaf.answers, leaf.meanings, leaf.flags, leaf.number, leaf.not_examined, leaf.not_recorded, leaf.change)
    if not any(asked) and not leaf.never:
        yield "rule-asks-nothing", f"asks nothing of {item.id}", "answers, meanings, flags, number or a gap", item.id
    yield from _asks_over_exams(leaf, item)
    asks_number = leaf.number is not None or leaf.change is not None
    if asks_number and item.type not in _NUMBERS:
        yield "never-holds", f"{item.id} has no number", "answers, meanings or flags", item.id
    if item.type is ItemType.QUANTITIES and asks_number and leaf.component is None:
        yield "never-holds", f"{item.id} has several numbers", "component: one of its own", item.id
    if leaf.minus is not None:
        other = catalogue.items.get(leaf.minus.item or item.id)
        if other is None or other.unit != item.unit or leaf.number is None:
            what = f"{leaf.minus.item or item.id} cannot be taken from {item.id}"
            yield "never-holds", what, "an item of the same unit, and the number their difference must be", item.id
    elif leaf.number is not None and (limits := _limits(leaf, item)) and not _within(leaf.number, limits):
        what = f"{item.id} '{leaf.number}' lies outside what is possible"
        yield "never-holds", what, f"{limits.possible[0]} to {limits.possible[1]} {item.unit}", item.id


def _asks_over_exams(leaf: When, item: Item) -> Iterator[tuple[str, str, str, str]]:
    """What cannot be asked of several exams: what is made anew of each, and how often an answer was given that counts
    as another in some infants; and a change that is always there, or that no two possible numbers have."""
    if leaf.over_exams and item.id in _OF_ITS_EXAM:
        what = f"{item.id} is said of each exam by itself, and is not asked of earlier ones"
        yield "never-holds", what, "an item that is captured, or worked out from such", item.id
    if leaf.times is not None and any(a.when is not None for a in item.answers if a.id in leaf.answers):
        what = f"asks how often {item.id} was answered so, and in some infants that counts as another answer"
        yield "never-holds", what, "the answer that it counts as", item.id
    limits = _limits(leaf, item)
    if leaf.change is not None and leaf.change.holds(Decimal(0)):
        what = f"{item.id} '{leaf.change}' holds where nothing changed"
        yield "rule-asks-nothing", what, "a change above 0 or below it", item.id
    elif leaf.change is not None and limits is not None:
        most = limits.possible[1] - limits.possible[0]
        low, high = leaf.change.low, leaf.change.high
        if not ((low is None or low.holds(most)) and (high is None or high.holds(-most))):
            what = f"{item.id} changes by '{leaf.change}' between no two values that are possible"
            yield "never-holds", what, f"at most {most} {item.unit}", item.id


def _limits(leaf: When, item: Item) -> Limits | None:
    component = item.component(leaf.component or "")
    return component.limits if component else item.limits


def _within(span: Span, limits: Limits) -> bool:
    low, high = limits.possible
    return (span.low is None or span.low.holds(high)) and (span.high is None or span.high.holds(low))


def _tables(catalogue: Catalogue) -> Iterator[Problem]:
    def unknown(path: tuple[str, ...], what: str, remedy: str, says: str) -> Problem:
        return catalogue.fault(path, "unknown-reference", what, remedy, says=says)

    settings = catalogue.settings
    named = [("estimates", e.id, (e.score, e.item), e.source) for e in catalogue.estimates.values()]
    named += [("screenings", s.id, (s.item, s.readings), s.source) for s in catalogue.screenings.values()]
    for table, own, items, source in named:
        for name in items:
            if name not in catalogue.items:
                what = f"{own} names '{name}', which is not in the catalogue"
                yield unknown((table, own), what, "an item that exists", name)
        if source not in catalogue.sources:
            yield unknown(
                (table, own), f"{own}: source '{source}' is not defined", "a source of sources.yaml", source
            )
    if settings.cchd_version not in catalogue.screenings:
        what, known = f"cchd_version '{settings.cchd_version}' is not defined", ", ".join(catalogue.screenings)
        yield unknown(("settings", "cchd_version"), what, f"one of {known}", "")
    growth = settings.growth_reference
    if growth is not None and growth not in catalogue.growth:
        what = f"growth_reference '{growth}' is not in the site's folder growth/"
        yield unknown(("settings", "growth_reference"), what, "the id of a reference there, or null", "")
    if settings.size_bands.source not in catalogue.sources:
        what = f"size_bands: source '{settings.size_bands.source}' is not defined"
        yield unknown(("settings", "size_bands", "source"), what, "a source of sources.yaml", "")
