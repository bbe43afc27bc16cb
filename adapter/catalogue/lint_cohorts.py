"""Faults of the cohorts: what they name and what they rest on."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.cohorts import Cohort
from adapter.catalogue.model import Item
from adapter.problems import Problem


def lint_cohorts(catalogue: Catalogue) -> Iterator[Problem]:
    """Cohorts that name what is not there, whose values cannot be, or that nobody published."""
    for one in catalogue.cohorts.values():
        for kind, what, remedy, says in _faults(one, catalogue):
            yield catalogue.fault(("cohorts", one.id), kind, f"cohort {one.id}: {what}", remedy, says=says)


def _faults(one: Cohort, catalogue: Catalogue) -> Iterator[tuple[str, str, str, str]]:
    """Each fault: its kind, what is wrong, what would be right, and the word that is meant."""
    source = catalogue.sources.get(one.source)
    if source is None:
        yield "unknown-reference", f"source '{one.source}' is not defined", "a source of sources.yaml", "source"
    elif source.mark in ("memory", "common-practice"):
        what = f"rests on {source.label.lower()}: a cohort was counted and published"
        yield "unpublished-cohort", what, "the source that published it, or no cohort", "source"
    if one.rule is not None and one.rule not in catalogue.rules:
        yield "unknown-reference", f"there is no rule '{one.rule}'", "a rule's id", one.rule
    item = catalogue.items.get(one.item or "")
    if one.item is not None and item is None:
        yield "unknown-reference", f"item '{one.item}' is not in the catalogue", "an item that exists", one.item
    elif item is not None:
        yield from _of_item(one, item, catalogue)


def _of_item(one: Cohort, item: Item, catalogue: Catalogue) -> Iterator[tuple[str, str, str, str]]:
    states = tuple(catalogue.states) if item.states else ()
    for kind, name, known in (
        *(("answer", answer, tuple(a.id for a in item.answers)) for answer in one.answers),
        ("component", one.component, tuple(c.id for c in item.components)),
        ("site", one.site, item.sites),
        ("state", one.state, states),
    ):
        if name is not None and name not in known:
            what, remedy = f"{item.id} has no {kind} '{name}'", f"one of {', '.join(known) or 'none'}"
            yield "unknown-reference", what, remedy, name
    if not one.centiles:
        return
    component = item.component(one.component or "")
    limits = component.limits if component else item.limits
    if limits is None:
        yield "never-holds", f"{item.id} has no number", "an item, or a component of it, with a number", item.id
        return
    for centile, ends in one.centiles.items():
        if not all(limits.possible[0] <= end <= limits.possible[1] for end in ends):
            what = f"centile {centile} lies outside what {item.id} can be"
            yield "never-holds", what, f"{limits.possible[0]} to {limits.possible[1]} {item.unit}", str(centile)
