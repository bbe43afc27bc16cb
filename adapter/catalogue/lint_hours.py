"""Faults of a site's tables of lines by the hour of life."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.hours import HourTable, RiskGroup, faults_of
from adapter.catalogue.lint_rules import OBX_17, condition_faults
from adapter.catalogue.model import Item
from adapter.problems import Layer, Problem, Severity

_LABEL = 60
"""What a line's label may take, so that what is said of a value fits OBX-5 of HL7 v2."""


def lint_hours(catalogue: Catalogue) -> Iterator[Problem]:
    """Tables that name what is not there, whose rows are wrong, or of which two would judge one value."""
    for name, table in catalogue.hours.items():
        for kind, what, remedy in (*_named(table, catalogue), *faults_of(table)):
            file = f"hours/{name}.{'csv' if kind in ('hours-rows', 'hours-order') else 'yaml'}"
            yield _problem(file, kind, f"{name}: {what}", remedy)
    on = [table for table in catalogue.hours.values() if table.on]
    for one, other in combinations(on, 2):
        if _meet(one, other):
            file = f"hours/{other.id}.yaml"
            what = f"{one.id} and {other.id} would both judge one value"
            yield _problem(file, "hours-twice", what, "methods or weeks of their own, or on: false")


def _problem(file: str, kind: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.ERROR, Layer.CATALOGUE, kind, what, remedy, file=file)


def _named(table: HourTable, catalogue: Catalogue) -> Iterator[tuple[str, str, str]]:
    for name in table.items:
        item = catalogue.items.get(name)
        if item is None:
            yield "unknown-reference", f"'{name}' is not in the catalogue", "an item that exists"
            continue
        if not item.chart:
            yield "hours-items", f"{name} is not read on a chart", "an item with chart: true"
        units = [item.unit or "", *(other.unit for other in item.other_units)]
        dimensions = {catalogue.units[unit].dimension for unit in units if unit in catalogue.units}
        if table.unit not in catalogue.units or catalogue.units[table.unit].dimension not in dimensions:
            remedy = f"{' or '.join(units)}, as UCUM writes it"
            yield "unknown-unit", f"unit '{table.unit}' cannot be compared with {name}", remedy
        yield from _of_the_finding(table, item)
    for risk in table.risks:
        for kind, what, remedy, _ in condition_faults(risk.when, catalogue, True) if risk.when else ():
            yield kind, f"risk {risk.id}: {what}", remedy
        if risk.when is not None and risk is not table.risks[0]:
            yield from _of_a_gap(risk, table)
    for line in table.lines:
        if len(line.label) > _LABEL:
            yield "too-long", f"the label of {line.id} has more than {_LABEL} characters", "a shorter one"
    sources = [("the table", table.source), *((line.id, line.source or table.source) for line in table.lines)]
    for name, source in sources:
        if not source.strip():
            yield "missing-part", f"{name} has no source", "source: where the numbers are from"
        elif len(f"{table.label}, version {table.version}; {source}") > OBX_17:
            what = f"label, version and source of {name} have more than {OBX_17} characters together"
            yield "too-long", what, "shorter ones: HL7 v2.5.1, OBX-17 takes no more"


def _of_the_finding(table: HourTable, item: Item) -> Iterator[tuple[str, str, str]]:
    for word, names, known in (
        ("method", table.when.methods, (*item.methods, *filter(None, [item.method]))),
        ("site", table.when.sites, (*item.sites, *filter(None, [item.body_site]))),
    ):
        for name in sorted({*names} - {*known}):
            yield "unknown-reference", f"{item.id} has no {word} '{name}'", f"one of {', '.join(known) or 'none'}"


def _of_a_gap(risk: RiskGroup, table: HourTable) -> Iterator[tuple[str, str, str]]:
    """What is not recorded is no reason for higher lines."""
    if risk.when is not None and any(leaf.not_recorded or leaf.not_examined for leaf in risk.when.leaves()):
        what = f"risk {risk.id} holds where something is not recorded or not examined"
        yield "hours-risks", what, f"answers; what is not recorded counts as {table.risks[0].id}"


def _meet(one: HourTable, other: HourTable) -> bool:
    """Whether some value of some infant would be judged by both."""
    for mine, theirs in (
        (one.when.methods, other.when.methods),
        (one.when.sites, other.when.sites),
    ):
        if mine and theirs and not {*mine} & {*theirs}:
            return False
    return bool({*one.items} & {*other.items}) and bool(_weeks(one) & _weeks(other))


def _weeks(table: HourTable) -> set[int]:
    """The completed weeks of gestation that a table has rows of."""
    return {week for low, high, _ in table.blocks() for week in range(low, (high or 45) + 1)}
