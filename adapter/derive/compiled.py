"""A catalogue's ranges and rules as flat tables of plain JSON: ``machine`` runs them here, the bedside page there.

A *test* is a list that asks one thing of a finding or of the infant:

    ["in", FIELD, [VALUES]]         the field is one of the values
    ["out", FIELD, [VALUES]]        it is none of them; null stands for a field that is not there
    ["span", NUMBER, LOW, HIGH]     the number is known and lies so; an end is text (">=30"), "" where it is open

FIELD is a path from ``finding``, ``item``, ``judged``, ``site`` (the catalogue's entry of the site), ``newborn`` or
``exam``; of several, joined by ``|``, the first that is there. NUMBER is ``age`` (hours of life when the finding
was made), ``start`` (those at the exam's start), ``gestation`` or ``postmenstrual`` (weeks), ``value`` (in the
item's unit; hours of life for a moment) or ``value.COMPONENT``.

A *range* is ``[component or "", low, high, meaning, flag, urgency, source, tests]``; the first that holds the number
and whose tests hold decides.

A *rule's* condition is a list of steps in postfix. Each lays on the stack the findings by which it holds, or null:

    ["find", ITEM, TESTS]           the findings of an item ("": of any) that pass every test; null if there are none
    ["infant", TESTS]               by no finding: what is asked of the infant
    ["none", ITEM]                  by no finding: the exam has none of the item
    ["never", ITEM, TESTS, HOURS]   by no finding: no finding passes every test, of this exam or of earlier ones (made
                                    so long before it began: HOURS is an end, or "")
    ["pairs", ITEM, TESTS, ITEM, TESTS, NUMBER, LOW, HIGH]
                                    every pair whose first number less its second lies so
    ["before", ITEM, TESTS]         the findings of earlier exams, made before this one began, that pass every test
    ["times", ITEM, TESTS, N, HOURS]
                                    those of this exam and of earlier ones that pass, where N at different moments,
                                    one of this exam among them, lie no further apart (HOURS is an end, or "")
    ["change", ITEM, TESTS, FIELDS, NUMBER, LOW, HIGH, HOURS]
                                    every pair of one of this exam that passes, and one made before it, here or in an
                                    earlier exam, whose later number less the other lies so; none of the FIELDS is
                                    known of both and differs
    ["over", HOURS, ITEMS, STEPS]   by what the steps, which ask of these items, hold of this exam, or of its findings
                                    and those of earlier exams of which no two lie further apart (HOURS: an end, or
                                    ""; what lasts is always among them); one of this exam, as near, is among those
                                    that it holds by
    ["some", N, OF]                 takes OF results; all findings of those that hold, if at least N do

A new leaf of a rule is written down here in these steps alone.

A *table of lines* by the hour of life: its ``tests`` are asked of the finding; of the ``risks``, each with its steps
(none: always), the first that holds is the infant's, else the first of all; ``blocks`` are ``[from week, to week or
null, place among the risks, rows]``, a row ``[hour, value of each line]``.

*Not judged* (``items``, or all but ``but``): where the tests hold of the finding, and the steps of the exam (none:
always), no range says that a number is expected; ``label`` says why.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from adapter.catalogue import (
    Bound,
    Catalogue,
    Condition,
    HourTable,
    Item,
    NotJudged,
    Range,
    Rule,
    Sides,
    Span,
    When,
)

Test = list[Any]
Step = list[Any]
Row = list[Any]

_COUNTED = "judged.counted|finding.value"
"""The answer that a finding counts as."""
_SITE, _METHOD, _SIDE = "finding.site|item.body_site", "finding.method|item.method", "finding.side|site.side"


class Compiled(NamedTuple):
    """What runs: the ranges by item, the rules that are on, in their order, where numbers are not judged, by item the
    answers that are true of some infants alone: what each counts as else (or ""), and its tests; and the tables
    of lines by the hour that are on."""

    ranges: dict[str, list[Row]]
    rules: list[dict[str, Any]]
    not_judged: list[dict[str, Any]]
    answers: dict[str, dict[str, list[Any]]]
    hours: list[dict[str, Any]]


@lru_cache(maxsize=16)
def compiled(catalogue: Catalogue) -> Compiled:
    """The tables of a catalogue; nobody changes them."""
    ranges = {item.id: [_range(band) for band in item.ranges] for item in catalogue.items.values() if item.ranges}
    rules = [_rule(rule, catalogue) for rule in catalogue.rules.values() if rule.on]
    not_judged = [_not_judged(one, catalogue) for one in catalogue.not_judged.values()]
    answers = {item.id: of for item in catalogue.items.values() if (of := _answers(item))}
    hours = [_hours(table, catalogue) for table in catalogue.hours.values() if table.on]
    return Compiled(ranges, rules, not_judged, answers, hours)


def _answers(item: Item) -> dict[str, list[Any]]:
    return {a.id: [a.otherwise or "", _condition(a.when)] for a in item.answers if a.when is not None}


def _not_judged(one: NotJudged, catalogue: Catalogue) -> dict[str, Any]:
    return {
        "label": one.label,
        "items": list(one.items),
        "but": list(one.but),
        "tests": _condition(one.when),
        "steps": list(_steps(one.beside, None, catalogue)) if one.beside else [],
    }


def _hours(table: HourTable, catalogue: Catalogue) -> dict[str, Any]:
    places = {risk.id: place for place, risk in enumerate(table.risks)}
    return {
        "id": table.id,
        "items": list(table.items),
        "tests": _condition(table.when),
        "risks": [list(_steps(risk.when, None, catalogue)) if risk.when else [] for risk in table.risks],
        "blocks": [
            [low, high, places.get(risk or "", 0), [[f"{n:f}" for n in (row.hour, *row.values)] for row in rows]]
            for (low, high, risk), rows in table.blocks().items()
        ],
    }


def _range(band: Range) -> Row:
    said = [band.meaning.value, band.flag.value, band.urgency.value, band.source]
    return [band.component or "", *_ends(band), *said, _condition(band.when)]


def _condition(when: Condition) -> list[Test]:
    tests = [
        _in(field, values)
        for field, values in (("finding.state", when.states), (_SITE, when.sites), (_METHOD, when.methods))
        if values
    ]
    tests += _of_infant(when, "age")
    if when.postmenstrual_weeks is not None:
        tests.append(["span", "postmenstrual", *_ends(when.postmenstrual_weeks)])
    return tests


def _of_infant(when: Condition | When, age: str) -> list[Test]:
    tests: list[Test] = [] if when.sex is None else [["in", "newborn.sex", [when.sex]]]
    for number, span in ((age, when.age_hours), ("gestation", when.gestation_weeks)):
        if span is not None:
            tests.append(["span", number, *_ends(span)])
    return tests


def _ends(span: Span) -> tuple[str, str]:
    return _end(span.low), _end(span.high)


def _end(bound: Bound | None) -> str:
    return "" if bound is None else f"{bound.comparator}{bound.value:f}"


def _rule(rule: Rule, catalogue: Catalogue) -> dict[str, Any]:
    return {
        "id": rule.id,
        "label": rule.label,
        "urgency": rule.urgency.value,
        "reason": rule.reason,
        "source": rule.source,
        "replaces": list(rule.replaces),
        "steps": list(_steps(rule.when, None, catalogue)),
    }


def _steps(when: When, side: str | None, catalogue: Catalogue) -> Iterator[Step]:
    """A condition; with ``side``, what it asks of items that are examined on each side is asked of that side."""
    if when.counts_together:
        alone = when.model_copy(update={"within_hours": None, "ever": False})
        yield ["over", _apart(when), sorted(when.items or ()), list(_steps(alone, side, catalogue))]
    elif (when.same_side or when.both_sides) and side is None:
        for each in ("left", "right"):
            yield from _steps(when, each, catalogue)
        yield ["some", 2 if when.both_sides else 1, 2]
    elif when.parts:
        for part in when.parts:
            yield from _steps(part, side, catalogue)
        yield ["some", when.at_least or (len(when.parts) if when.all else 1), len(when.parts)]
    else:
        yield from _leaf(when, side, catalogue)


def _leaf(leaf: When, side: str | None, catalogue: Catalogue) -> Iterator[Step]:
    if leaf.item is None and leaf.not_examined:
        yield ["find", "", [_gap(leaf.not_examined), *_of_infant(leaf, "start")]]
    elif leaf.item is None:
        yield ["infant", _of_infant(leaf, "start")]
    elif leaf.not_recorded:
        yield ["none", leaf.item]
        if asked := _of_infant(leaf, "start"):
            yield ["infant", asked]
            yield ["some", 2, 2]
    elif leaf.minus is not None and leaf.number is not None:
        of_both, other = _of_infant(leaf, "age"), leaf.minus.item or leaf.item
        one, two = ([_in("finding.site", sites)] if sites else [] for sites in (leaf.sites, leaf.minus.sites))
        yield ["pairs", leaf.item, one + of_both, other, two + of_both, _value(leaf), *_ends(leaf.number)]
    elif leaf.times is not None or leaf.change is not None:
        tests = [*_of_finding(leaf, catalogue.items[leaf.item], side), *_of_infant(leaf, "age")]
        if leaf.change is None:
            yield ["times", leaf.item, tests, leaf.times, _apart(leaf)]
        else:
            yield [
                *("change", leaf.item, tests, [_SIDE, _SITE, _METHOD]),
                *(_value(leaf), *_ends(leaf.change), _apart(leaf)),
            ]
    else:
        item, of_infant = catalogue.items[leaf.item], _of_infant(leaf, "age")
        op = "before" if leaf.earlier else "never" if leaf.never else "find"
        apart = [_apart(leaf)] if leaf.never else []
        yield [op, leaf.item, [*_of_finding(leaf, item, side), *of_infant], *apart]
        if said := [answer for answer in leaf.answers if answer in _answers(item)]:
            # A rule that names such an answer means what was said, whatever it counts as.
            rest = [test for test in _of_finding(leaf, item, side) if test[1] != _COUNTED]
            yield [op, leaf.item, [_in("finding.value", said), *rest, *of_infant], *apart]
            yield ["some", 2 if leaf.never else 1, 2]


def _apart(when: When) -> str:
    """How far findings may lie apart, as an end; empty where that is not asked."""
    return "" if when.within_hours is None else f"<={when.within_hours:f}"


def _of_finding(leaf: When, item: Item, side: str | None) -> list[Test]:
    """What a leaf asks of one finding. One that was not examined has no answer, no judgement and no number."""
    if leaf.not_examined:
        tests = [_gap(leaf.not_examined)]
    else:
        value = _COUNTED if _answers(item) else "finding.value"
        asked = ((value, leaf.answers), ("judged.meaning", leaf.meanings), ("judged.flag", leaf.flags))
        tests = [_in(field, values) for field, values in asked if values]
    if leaf.never and not leaf.not_examined:
        tests.append(["in", "finding.not_examined", [None]])  # that it was looked at, where nothing else is asked
    if side is not None and item.sides is Sides.EACH:
        tests.append(_in(_SIDE, [side]))
    if leaf.sites:
        tests.append(_in(_SITE, leaf.sites))
    if leaf.number is not None and not leaf.not_examined:
        tests.append(["span", _value(leaf), *_ends(leaf.number)])
    return tests


def _gap(reasons: Sequence[str]) -> Test:
    """That a finding was not examined, for one of these reasons or for any."""
    field = "finding.not_examined"
    return ["out", field, [None]] if "any" in reasons else _in(field, reasons)


def _value(leaf: When) -> str:
    return f"value.{leaf.component}" if leaf.component else "value"


def _in(field: str, values: Sequence[str]) -> Test:
    return ["in", field, [str(value) for value in values]]
