"""Faults of what a site has retired: what needs it still, and what it says to use instead."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.model import Item, ItemType, MayRetire
from adapter.catalogue.places import Step
from adapter.catalogue.rules import When
from adapter.problems import Problem


def lint_retired(catalogue: Catalogue) -> Iterator[Problem]:
    """All faults of retired items and answers, each at the item or answer itself."""
    asked = list(_asked(catalogue))
    for item in catalogue.items.values():
        known = {name for name, one in catalogue.offered.items() if not one.computed}
        yield from _said(catalogue, item, (), item.id, item, known)
        if not item.on:
            if item.computed:
                what = f"{item.id} is computed, which nobody records"
                yield _fault(catalogue, item, (), what, "on: true; what computes it can be switched off")
            needed = [*(who for who, when in asked if item.id in when), *_tables(item.id, catalogue)]
            yield from _needed(catalogue, item, (), item.id, needed)
        for answer in item.answers:
            at: tuple[Step, ...] = ("answers", answer.id)
            yield from _said(catalogue, item, at, f"answer {answer.id}", answer, {one.id for one in item.offered})
            if not answer.on:
                needed = [who for who, when in asked if answer.id in when.get(item.id, ())]
                needed += [f"answer {one.id} (otherwise)" for one in item.offered if one.otherwise == answer.id]
                yield from _needed(catalogue, item, at, f"answer {answer.id}", needed)
        if item.on and item.type in (ItemType.CHOICE, ItemType.CHOICES) and item.answers and not item.offered:
            what = f"every answer of {item.id} is retired"
            yield _fault(catalogue, item, ("answers",), what, "retire the item, or leave an answer")


def _said(
    catalogue: Catalogue, item: Item, at: tuple[Step, ...], name: str, one: MayRetire, known: set[str]
) -> Iterator[Problem]:
    if one.on and (one.use or one.since):
        yield _fault(catalogue, item, at, f"{name} says use or since, and is not retired", "on: false with them")
    elif one.use is not None and one.use not in known:
        what = f"{name}: '{one.use}' cannot be used instead; nothing that is offered is called so"
        yield _fault(catalogue, item, (*at, "use"), what, f"one of {', '.join(sorted(known)[:6])} ..")


def _needed(catalogue: Catalogue, item: Item, at: tuple[Step, ...], name: str, by: list[str]) -> Iterator[Problem]:
    if by:
        what = f"{name} is retired, and is needed by {', '.join(dict.fromkeys(by))}"
        yield _fault(
            catalogue, item, at, what, "these switched off (on: false) or asking something else; or on: true"
        )


def _fault(catalogue: Catalogue, item: Item, at: tuple[Step, ...], what: str, remedy: str) -> Problem:
    path = ("items", item.id, *(at or ("on",)))
    return catalogue.fault(path, "retired", what, remedy, item=item.id)


def _asked(catalogue: Catalogue) -> Iterator[tuple[str, dict[str, set[str]]]]:
    """Each rule that is on, and each reason not to judge, with the items and their answers that it asks."""
    rules: list[tuple[str, When]] = [(f"rule {r.id}", r.when) for r in catalogue.rules.values() if r.on]
    rules += [(f"not_judged {n.id}", n.beside) for n in catalogue.not_judged.values() if n.beside is not None]
    for who, when in rules:
        found: dict[str, set[str]] = {}
        for leaf in when.leaves():
            if leaf.item is not None:
                found.setdefault(leaf.item, set()).update(leaf.answers)
        yield who, found


def _tables(item: str, catalogue: Catalogue) -> Iterator[str]:
    """The tables in force that read an item."""
    for estimate in catalogue.estimates.values():
        if item == estimate.score:
            yield f"estimate {estimate.id}"
    if item in (catalogue.screening.item, catalogue.screening.readings):
        yield f"screening {catalogue.screening.id}"
    for table in catalogue.hours.values():
        if table.on and item in table.items:
            yield f"hour table {table.id}"
