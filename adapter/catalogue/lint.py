"""The catalogue's linter: every fault of the data, with file, item and remedy.

What the types already refuse (unknown fields, an answer without a meaning, a range end without a comparator)
is reported by :mod:`adapter.catalogue.load`; here stands what needs the whole catalogue to see.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import cache

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.labels import lint_labels
from adapter.catalogue.lint_alike import lint_alike
from adapter.catalogue.lint_cautions import lint_cautions
from adapter.catalogue.lint_codes import lint_codes
from adapter.catalogue.lint_cohorts import lint_cohorts
from adapter.catalogue.lint_facts import lint_facts
from adapter.catalogue.lint_holds import empty
from adapter.catalogue.lint_hours import lint_hours
from adapter.catalogue.lint_ranges import lint_ranges
from adapter.catalogue.lint_retired import lint_retired
from adapter.catalogue.lint_rules import lint_rules
from adapter.catalogue.lint_signatures import lint_signatures
from adapter.catalogue.lint_site import lint_site
from adapter.catalogue.lint_v2 import lint_v2
from adapter.catalogue.lint_words import lint_words
from adapter.catalogue.load import shipped_content
from adapter.catalogue.model import Category, Item, ItemType, Limits, Meaning, Sides
from adapter.catalogue.places import Step
from adapter.catalogue.words import lint_lists
from adapter.exam.model import Urgency
from adapter.problems import Problem


def lint(catalogue: Catalogue) -> list[Problem]:
    """All faults of a loaded catalogue, in the order of the exam."""
    return [
        *_duplicate_items(catalogue),
        *(problem for item in catalogue.items.values() for problem in _item(item, catalogue)),
        *lint_codes(catalogue),
        *_kinds(catalogue),
        *_stages(catalogue),
        *_units(catalogue),
        *lint_alike(catalogue),
        *lint_cautions(catalogue),
        *lint_rules(catalogue),
        *lint_retired(catalogue),
        *lint_cohorts(catalogue),
        *lint_signatures(catalogue),
        *lint_hours(catalogue),
        *lint_facts(catalogue),
        *lint_site(catalogue),
        *lint_v2(catalogue.v2, frozenset(catalogue.systems), catalogue.fault),
        *lint_words(catalogue),
        *lint_lists(),
        *_drafts(),
    ]


@cache
def _drafts() -> tuple[Problem, ...]:
    """What is wrong in the shipped labels of other languages: they are complete, or they are not shipped."""
    return tuple(lint_labels(shipped_content()[0]))


class _Reporter:
    """Makes problems placed at one item."""

    def __init__(self, catalogue: Catalogue, item_id: str) -> None:
        self._catalogue, self._item = catalogue, item_id

    def __call__(self, rule: str, what: str, remedy: str, *within: Step, says: str = "") -> Problem:
        """``within``: the steps from the item to the part of it that is wrong; ``says``: the word there."""
        return self._catalogue.fault(("items", self._item, *within), rule, what, remedy, item=self._item, says=says)


def _duplicates(ids: Iterable[object]) -> list[object]:
    return [name for name, count in Counter(ids).items() if count > 1]


def _duplicate_items(catalogue: Catalogue) -> Iterator[Problem]:
    every = [item for region in catalogue.regions.values() for item in region.items]
    for name in _duplicates(item.id for item in every):
        yield _Reporter(catalogue, str(name))("duplicate-id", f"item '{name}' stands twice", "rename one of them")
    for position in _duplicates(item.position for item in every):
        same = [item.id for item in every if item.position == position]
        report = _Reporter(catalogue, same[-1])
        yield report("duplicate-position", f"position {position} is taken by {same[0]} too", "give each its own")


def _item(item: Item, catalogue: Catalogue) -> Iterator[Problem]:
    report = _Reporter(catalogue, item.id)
    yield from _shape(item, report)
    yield from _questions(item, catalogue, report)
    yield from _references(item, catalogue, report)
    yield from _measures(item, catalogue, report)
    yield from _answers_of_an_age(item, catalogue, report)
    for rule, ids in {
        "answer": [a.id for a in item.answers],
        "component": [c.id for c in item.components],
        "sign": [s.id for s in item.signs],
    }.items():
        for name in _duplicates(ids):
            yield report("duplicate-id", f"{rule} '{name}' stands twice", "rename one of them", f"{rule}s", str(name))
    for answer in item.answers:
        if answer.exclusive and item.type is not ItemType.CHOICES:
            what = f"answer '{answer.id}' is exclusive, but the item takes one answer anyway"
            remedy = "remove exclusive, or make the type choices"
            yield report("needless-exclusive", what, remedy, "answers", answer.id, "exclusive")
        if answer.meaning is Meaning.EXPECTED and answer.urgency is not Urgency.NONE:
            yield report(
                "urgent-expected",
                f"answer '{answer.id}' is expected and yet to be told",
                "make it variant or abnormal, or its urgency none",
                *("answers", answer.id, "urgency"),
            )


_OF_AN_AGE = re.compile(
    r"\b(?:pre|post-?)term\b|\bfirst (?:minutes?|hours?|days?|weeks?|\d+ ?h)"
    r"|\b(?:under|after|before|by|day) \d+ ?(?:h\b|hours?|days?|weeks?|to \d)",
    re.IGNORECASE,
)


def _answers_of_an_age(item: Item, catalogue: Catalogue, report: _Reporter) -> Iterator[Problem]:
    """An answer that names an age or a gestation and is no alarm says when it is true, and what it counts as else."""
    ids = [answer.id for answer in item.answers]
    for answer in item.answers:
        told_of_birth = catalogue.category(item) is Category.SURVEY or item.method == "history"
        if answer.when is None and answer.otherwise is None:
            reassures = (
                answer.urgency is Urgency.NONE and answer.meaning is not Meaning.ABNORMAL and not told_of_birth
            )
            if reassures and _OF_AN_AGE.search(answer.label):
                what = f"answer {answer.id} names an age or a gestation, and holds at any"
                remedy = "when: {age_hours: ..}, and otherwise: what it counts as else"
                yield report("answer-of-an-age", what, remedy, "answers", answer.id, "label")
        elif answer.when is None:
            what = f"answer {answer.id} has otherwise without when"
            yield report("answer-of-an-age", what, "when: its condition", "answers", answer.id, "otherwise")
        elif answer.otherwise is not None and (answer.otherwise not in ids or _counts_back(item, answer.id)):
            what = f"answer {answer.id} counts as '{answer.otherwise}', which is no other answer of {item.id}"
            remedy = "otherwise: the id of one that does not lead back to it"
            yield report("unknown-reference", what, remedy, "answers", answer.id, "otherwise")


def _counts_back(item: Item, start: str) -> bool:
    """Whether an answer that counts as another comes back to itself."""
    seen, answer = {start}, item.answer(start)
    while answer is not None and answer.otherwise is not None:
        if answer.otherwise in seen:
            return True
        seen.add(answer.otherwise)
        answer = item.answer(answer.otherwise)
    return False


_NEEDS = {
    ItemType.CHOICE: "answers",
    ItemType.CHOICES: "answers",
    ItemType.QUANTITY: "unit",
    ItemType.QUANTITIES: "components",
    ItemType.SCORE: "signs",
    ItemType.TIME: "answers",
}


def _shape(item: Item, report: _Reporter) -> Iterator[Problem]:
    need = _NEEDS.get(item.type)
    if need and not getattr(item, need):
        yield report(
            "missing-part", f"type {item.type.value} needs {need}", f"add {need}, or change the type", "type"
        )
    if item.type in (ItemType.QUANTITY, ItemType.SCORE) and item.limits is None:
        yield report("missing-part", "has no limits", "limits: {possible: [low, high], plausible: [low, high]}")
    if item.type is ItemType.QUANTITIES and item.unit is None:
        yield report("missing-part", "has no unit", "the unit of its components")
    if item.type in (ItemType.CHOICE, ItemType.CHOICES) and not any(
        a.meaning is not Meaning.ABNORMAL for a in item.answers if a.on or not item.on
    ):
        yield report(
            "missing-part", "has no answer for an infant in whom all is well", "add an expected answer", "answers"
        )
    if item.site_required and not item.sites:
        yield report("missing-part", "requires a site but allows none", "list the allowed sites", "site_required")


def _questions(item: Item, catalogue: Catalogue, report: _Reporter) -> Iterator[Problem]:
    systems = catalogue.systems
    every = (*item.codes, *(code for _, _, codes in item.codes_by.conditions() for code in codes))
    standard = [code for code in every if code.system not in systems or not systems[code.system].local]
    if not standard and not item.no_standard_code:
        yield report("missing-code", "has no published code and does not say why", "codes, or no_standard_code")
    if standard and item.no_standard_code:
        yield report("missing-code", "has codes and yet says there are none", "remove no_standard_code", "codes")
    for code in item.codes:
        display = code.display or ""
        if code.system == "loinc" and display.endswith("Narrative") and item.type is not ItemType.TEXT:
            yield report(
                "narrative-code", f"{code} takes free text", "the coded code of the region, or none", "codes"
            )


def _references(item: Item, catalogue: Catalogue, report: _Reporter) -> Iterator[Problem]:
    wanted = {
        "site": ({*item.sites, *item.codes_by.site, *filter(None, [item.body_site])}, catalogue.sites),
        "method": ({*item.methods, *item.codes_by.method, *filter(None, [item.method])}, catalogue.methods),
        "reason": ({*item.tell_when_not_examined} - {"any"}, catalogue.reasons),
        "source": ({*item.sources, *(r.source for r in item.ranges)}, catalogue.sources),
        "state": ({s for r in item.ranges for s in r.when.states}, catalogue.states),
        "site of a range": ({s for r in item.ranges for s in r.when.sites}, catalogue.sites),
        "method of a range": ({m for r in item.ranges for m in r.when.methods}, catalogue.methods),
    }
    for word, (names, known) in wanted.items():
        for name in sorted(set(names) - set(known)):
            yield report(
                "unknown-reference", f"{word} '{name}' is not defined", f"define it, or use a known {word}", says=name
            )
    if item.methods and item.method and item.method not in item.methods:
        yield report(
            "unknown-reference", f"default method '{item.method}' is not among its methods", "add it", "method"
        )


def _measures(item: Item, catalogue: Catalogue, report: _Reporter) -> Iterator[Problem]:
    if item.unit is not None:
        yield from _unit(item, catalogue, report)
    for name, limits in [("", item.limits), *((c.id, c.limits) for c in item.components)]:
        if limits is not None:
            yield from _limits(name, limits, report)
    if item.compare_sides and item.sides is not Sides.EACH:
        yield report("compare-sides", "compares sides, and is not examined on each", "sides: each", "compare_sides")
    yield from lint_ranges(item, report)


def _unit(item: Item, catalogue: Catalogue, report: _Reporter) -> Iterator[Problem]:
    unit = catalogue.units.get(item.unit or "")
    if unit is None:
        yield report("unknown-unit", f"unit '{item.unit}' is not in units.yaml", "a UCUM unit defined there", "unit")
        return
    for kept in item.kept_units:
        if kept not in catalogue.units or catalogue.units[kept].dimension != unit.dimension:
            yield report(
                "unknown-unit",
                f"kept unit '{kept}' is not one of {unit.dimension}",
                "a unit of that dimension",
                "kept_units",
            )
    for other in item.other_units:
        known = catalogue.units.get(other.unit)
        pair = {unit.dimension, known.dimension if known else ""}
        if pair != {"mass-concentration", "substance-concentration"} or item.molar_mass is None:
            what = f"other unit '{other.unit}' cannot be converted to {unit.ucum}"
            yield report(
                "unknown-unit",
                what,
                "a mass and a substance concentration, and the molar_mass in g/mol",
                says=other.unit,
            )
        for code in other.codes:
            row = catalogue.verified.get((code.system, code.code))
            if known and row is not None and row.dimension and row.dimension != known.dimension:
                what = f"unit {other.unit} measures {known.dimension}, {code} a {row.dimension}"
                yield report("wrong-dimension", what, "a unit or a code of the same dimension", says=str(code))
    every = [*item.codes, *(c for codes in item.codes_by.site.values() for c in codes)]
    every += [c for component in item.components for c in component.codes]
    for code in every:
        row = catalogue.verified.get((code.system, code.code))
        if row is not None and row.dimension and row.dimension != unit.dimension:
            yield report(
                "wrong-dimension",
                f"unit {unit.ucum} measures {unit.dimension}, {code} a {row.dimension}",
                "a unit or a code of the same dimension",
                says=str(code),
            )


def _limits(name: str, limits: Limits, report: _Reporter) -> Iterator[Problem]:
    (low, high), (inner_low, inner_high) = limits.possible, limits.plausible
    if not low <= inner_low < inner_high <= high:
        what = f"limits{' of ' + name if name else ''} are upside down or plausible lies outside possible"
        within = ("components", name, "limits") if name else ("limits",)
        yield report("limits", what, "possible low <= plausible low < plausible high <= possible high", *within)


def _kinds(catalogue: Catalogue) -> Iterator[Problem]:
    for kind in catalogue.kinds.values():
        unknown = {*kind.regions} - {*catalogue.regions} | {*kind.items, *kind.without} - {*catalogue.items}
        for name in sorted(unknown):
            what = f"kind {kind.id} names '{name}', which is not in the catalogue"
            remedy = "a region or an item that exists"
            yield catalogue.fault(("kinds", kind.id), "unknown-reference", what, remedy, says=name)
        if kind.age_hours is not None and empty(kind.age_hours):
            what = f"kind {kind.id} is of no age: '{kind.age_hours}' holds no number"
            yield catalogue.fault(("kinds", kind.id, "age_hours"), "never-holds", what, "low before high")


def _stages(catalogue: Catalogue) -> Iterator[Problem]:
    regions = [region for stage in catalogue.stages.values() for page in stage.pages for region in page]
    items = [name for stage in catalogue.stages.values() for name in stage.items]
    for name in sorted({*regions} - {*catalogue.regions} | {*items} - {*catalogue.items}):
        what = f"'{name}' is not in the catalogue"
        yield _stage_problem(catalogue, name, "unknown-reference", what, "a region or an item that exists")
    for name in map(str, [*_duplicates(regions), *_duplicates(items)]):
        what = f"'{name}' stands in two stages"
        yield _stage_problem(catalogue, name, "duplicate-id", what, "one place for each")


def _stage_problem(catalogue: Catalogue, name: str, rule: str, what: str, remedy: str) -> Problem:
    holders = (s.id for s in catalogue.stages.values() if name in {*s.items, *(r for page in s.pages for r in page)})
    return catalogue.fault(("stages", next(holders)), rule, what, remedy, says=name)


def _units(catalogue: Catalogue) -> Iterator[Problem]:
    for unit in catalogue.units.values():
        annotation = unit.ucum.startswith("{") and unit.ucum.endswith("}")
        row = catalogue.verified.get(("ucum", unit.ucum))
        if not annotation and (row is None or row.status != "verified"):
            what = f"'{unit.ucum}' is not a verified UCUM unit"
            remedy = "the UCUM code (mm[Hg], not mmHg), and its row in codes.csv"
            yield catalogue.fault(("units", unit.ucum), "unknown-unit", what, remedy)
