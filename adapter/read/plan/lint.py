"""A plan against the catalogue: everything that would go wrong for every row, told before any row is read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from zoneinfo import available_timezones

from adapter.catalogue import Catalogue, Item, ItemType, Sides
from adapter.exam import Sex, Side, Status, Urgency
from adapter.problems import Problem
from adapter.read.check.answers import fits
from adapter.read.places import PlaceOf
from adapter.read.plan.model import FindingPlan, Plan, Source, Time
from adapter.read.wording import listed, one_of, shown, takes, units_of

_WANTS = {
    ItemType.CHOICE: ("value",),
    ItemType.CHOICES: ("value",),
    ItemType.QUANTITY: ("value", "parts"),
    ItemType.QUANTITIES: ("components",),
    ItemType.SCORE: ("total", "signs"),
    ItemType.TIME: ("time", "value"),
    ItemType.TEXT: ("text",),
}
_FORMS = ("value", "parts", "components", "total", "signs", "time", "text")


def lint_plan(plan: Plan, catalogue: Catalogue, place: PlaceOf) -> Iterator[Problem]:
    """Unknown items, answers, units, sites, zones; forms that do not fit the item; times left open."""
    if plan.time_zone is not None:
        yield from _zone(plan.time_zone, "/time_zone", place)
    yield from _words(plan.exam.kind, catalogue.kinds, "/exam/kind", place, "kind")
    yield from _words(plan.exam.status, Status, "/exam/status", place, "status")
    for n, examiner in enumerate(plan.exam.examiners):
        yield from _words(examiner.role, catalogue.roles, f"/exam/examiners/{n}/role", place, "role")
    yield from _words(plan.newborn.sex, Sex, "/newborn/sex", place, "sex")
    if plan.newborn.gestation is not None:
        yield from _words(
            plan.newborn.gestation.method, catalogue.methods, "/newborn/gestation/method", place, "method"
        )
    times = {
        "/newborn/birth_time": plan.newborn.birth_time,
        "/exam/started": plan.exam.started,
        "/exam/ended": plan.exam.ended,
    }
    for at, time in times.items():
        yield from _time(time, plan, at, place)
    if plan.newborn.birth_time.hours_after_birth is not None:
        remedy = "constant, column, or date with time or at"
        yield place("/newborn/birth_time").error("plan-time", "birth cannot be counted from birth", remedy)
    for n, finding in enumerate(plan.findings):
        item = catalogue.items.get(finding.item)
        if item is None:
            what = f"the catalogue has no item {shown(finding.item)}"
            remedy = one_of(finding.item, catalogue.items, most=6)
            yield place(f"/findings/{n}/item").error("unknown-item", what, remedy, finding.item)
        else:
            yield from _retired(finding, item, f"/findings/{n}", place)
            yield from _finding(finding, item, plan, catalogue, f"/findings/{n}", place)


def _retired(finding: FindingPlan, item: Item, at: str, place: PlaceOf) -> Iterator[Problem]:
    """What no row may hold any more; of what was retired on a day, rows from before it may be read."""
    given = set((finding.value.outcomes if finding.value else None) or ())
    answers = [answer for answer in item.answers if answer.id in given]
    for one, field, what in [(item, "item", item.id), *((a, "value", f"{item.id}.{a.id}") for a in answers)]:
        if not one.on and one.since is None:
            remedy = f"use {one.use}" if one.use else "leave it out"
            yield place(f"{at}/{field}").error("retired", f"{what} is retired", remedy, item.id)


def _words(
    source: Source | None, known: Iterable[str], at: str, place: PlaceOf, kind: str, item: str = ""
) -> Iterator[Problem]:
    """Whether every text that a source may give is known, as far as the plan alone decides it."""
    every = [str(word) for word in known]
    for word in (source.outcomes if source else None) or ():
        if word not in every:
            yield place(at).error(
                "plan-unknown-word", f"no {kind} {shown(word)} is known", one_of(word, every, 20), item
            )


def _zone(name: str, at: str, place: PlaceOf) -> Iterator[Problem]:
    if name not in available_timezones():
        remedy = one_of(name, sorted(available_timezones()), 3)
        yield place(at).error("plan-time-zone", f"no time zone {shown(name)} is known", f"an IANA name; {remedy}")


def _time(time: Time | None, plan: Plan, at: str, place: PlaceOf) -> Iterator[Problem]:
    if time is None or time.constant is not None or time.hours_after_birth is not None:
        return
    if time.time_zone is not None:
        yield from _zone(time.time_zone, f"{at}/time_zone", place)
    form = time.format or ""
    if (form or time.date) and "%z" not in form and not (time.time_zone or plan.time_zone):
        what = "these times have no offset from UTC, and the plan names no time zone"
        yield place(at).error("plan-time-zone", what, "time_zone, such as Europe/Oslo")
    if time.column is not None and form and not any(mark in form for mark in ("%H", "%I", "%X", "%c", "%T")):
        what = "the format has no time of day"
        yield place(at).error("plan-time", what, "date instead of column, with time (a column) or at (such as 12:00)")


def _finding(
    plan: FindingPlan, item: Item, whole: Plan, catalogue: Catalogue, at: str, place: PlaceOf
) -> Iterator[Problem]:
    given = [name for name in _FORMS if getattr(plan, name)]
    wrong = [name for name in given if name not in (*_WANTS[item.type], "text")]
    if wrong or not (given or plan.not_examined or plan.when_missing):
        what = f"{item.id} is not read from {wrong[0]}" if wrong else f"nothing says where {item.id} is read from"
        remedy = f"{' or '.join(_WANTS[item.type])}: it takes {takes(item, catalogue.units)}"
        yield place(at).error("plan-wrong-form", what, remedy, item.id)
        return
    yield from _units(plan, item, catalogue, at, place)
    yield from _answers(plan, item, at, place)
    yield from _sides(plan, item, at, place)
    reasons = catalogue.reasons
    yield from _words(plan.not_examined, reasons, f"{at}/not_examined", place, "reason", item.id)
    if plan.when_missing is not None and plan.when_missing not in reasons:
        what = f"no reason {shown(plan.when_missing)} is known"
        remedy = one_of(plan.when_missing, reasons, 20)
        yield place(f"{at}/when_missing").error("plan-unknown-word", what, remedy, item.id)
    yield from _words(plan.side, Side, f"{at}/side", place, "side", item.id)
    yield from _words(plan.site, item.sites, f"{at}/site", place, f"site of {item.id}", item.id)
    yield from _words(plan.method, catalogue.methods, f"{at}/method", place, "method", item.id)
    yield from _words(plan.state, catalogue.states, f"{at}/state", place, "state", item.id)
    yield from _words(plan.urgency, Urgency, f"{at}/urgency", place, "urgency", item.id)
    yield from _time(plan.time, whole, f"{at}/time", place)
    yield from _time(plan.observed_at, whole, f"{at}/observed_at", place)


def _units(plan: FindingPlan, item: Item, catalogue: Catalogue, at: str, place: PlaceOf) -> Iterator[Problem]:
    allowed = listed(units_of(item, catalogue.units))
    measured = item.type in (ItemType.QUANTITY, ItemType.QUANTITIES) and (plan.value or plan.components)
    if plan.unit_in_cell and (item.type is not ItemType.QUANTITY or plan.value is None or plan.unit is not None):
        what = f"{item.id} is not read with a unit in its cell"
        remedy = "value with unit_in_cell, of an item that is one number; or unit, not both"
        yield place(f"{at}/unit_in_cell").error("plan-unit", what, remedy, item.id)
        return
    if measured and plan.unit is None and not plan.unit_in_cell:
        yield place(at).error(
            "plan-unit",
            f"{item.id} has no unit",
            f"unit: one of {allowed}, or a column; or unit_in_cell: true",
            item.id,
        )
    if plan.unit is not None and not measured:
        what = f"{item.id} takes no unit here"
        yield place(f"{at}/unit").error("plan-unit", what, "leave it out; parts name their own", item.id)
        return
    named = [(word, "unit") for word in (plan.unit.outcomes if plan.unit else None) or ()]
    named += [(part.unit, f"parts/{n}/unit") for n, part in enumerate(plan.parts or ())]
    for word, field in named:
        unit = catalogue.units.find(word)
        if unit is None or (item.unit and unit.dimension != catalogue.units[item.unit].dimension):
            what = f"{shown(word)} is not a unit of {item.id}"
            yield place(f"{at}/{field}").error("plan-unit", what, f"one of {allowed}", item.id)


def _answers(plan: FindingPlan, item: Item, at: str, place: PlaceOf) -> Iterator[Problem]:
    if item.answers and fits("", item):
        yield from _words(
            plan.value, [a.id for a in item.answers], f"{at}/value", place, f"answer of {item.id}", item.id
        )
    for name in plan.components:
        if item.component(name) is None:
            remedy = one_of(name, [c.id for c in item.components])
            what = f"{item.id} has no component {shown(name)}"
            yield place(f"{at}/components/{name}").error("unknown-component", what, remedy, item.id)
    for name, source in plan.signs.items():
        sign = item.sign(name)
        if sign is None:
            remedy = one_of(name, [s.id for s in item.signs])
            yield place(f"{at}/signs/{name}").error(
                "unknown-sign", f"{item.id} has no sign {shown(name)}", remedy, item.id
            )
        else:
            answers = [a.id for a in sign.answers]
            yield from _words(source, answers, f"{at}/signs/{name}", place, f"answer of sign {name}", item.id)


def _sides(plan: FindingPlan, item: Item, at: str, place: PlaceOf) -> Iterator[Problem]:
    if item.sides is Sides.NONE and plan.side is not None:
        yield place(f"{at}/side").error("side-on-midline", f"{item.id} has no side", "leave side out", item.id)
    if item.sides is Sides.EACH and plan.side is None and plan.site is None:
        what = f"{item.id} is examined on each side"
        yield place(at).error(
            "side-missing", what, "side: left, side: right, or a column; one entry for each", item.id
        )
    if item.site_required and plan.site is None and (plan.value or plan.components or plan.parts):
        yield place(at).error(
            "site-missing", f"{item.id} needs its site", f"site: one of {listed(item.sites)}", item.id
        )
