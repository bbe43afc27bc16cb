"""Cautions that promise an urgency which nothing computes."""

from __future__ import annotations

import re
from collections.abc import Iterator

from adapter.catalogue.catalogue import RULE_ID, Catalogue
from adapter.catalogue.model import Item
from adapter.exam.model import Urgency
from adapter.problems import Problem

_SAYS = re.compile(
    r"\b(?:tell|told|act|act on|seen by|opinion|refer|referred)\b[^.;]*?"
    r"\b(?:(?P<now>now|at once|immediately)|(?P<soon>same day|this shift|within (?:the hour|\d+ ?h(?:ours?)?)))\b",
    re.IGNORECASE,
)


def lint_cautions(catalogue: Catalogue) -> Iterator[Problem]:
    """A caution that says *told now* or *seen within 24 h* names the rule that says so, or its item does.

    Only the shipped words are read; a site's words in another language are its own.
    """
    for item in catalogue.items.values():
        named = {*RULE_ID.findall(item.caution)} & {*catalogue.rules}
        for found in _SAYS.finditer(item.caution):
            wanted = Urgency.TELL_NOW if found["now"] else Urgency.TELL_SOON
            urgencies = {catalogue.rules[rule].urgency for rule in named} or _own(item)
            if not any(_reaches(urgency, wanted) for urgency in urgencies):
                yield _problem(catalogue, item, found[0])


def _own(item: Item) -> set[Urgency]:
    return {answer.urgency for answer in item.answers} | {band.urgency for band in item.ranges}


def _reaches(urgency: Urgency, wanted: Urgency) -> bool:
    return list(Urgency).index(urgency) >= list(Urgency).index(wanted)


def _problem(catalogue: Catalogue, item: Item, words: str) -> Problem:
    what = f"the caution says '{words}', and neither an answer, a range nor a rule that it names is as urgent"
    remedy = "the rule's id in the caution, or an answer or range with that urgency"
    return catalogue.fault(("items", item.id, "caution"), "caution-without-rule", what, remedy, item=item.id)
