"""What the bedside page knows of the catalogue: plain data, small, without codes; empty fields are left out."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from adapter.catalogue import Catalogue, Component, HourTable, Item, Meaning, Sign, Words
from adapter.catalogue.code import Worded
from adapter.catalogue.model import Limits
from adapter.catalogue.vocabulary import Unit
from adapter.derive.compiled import Row, compiled
from adapter.derive.makers import by_table
from adapter.derive.tell import section_key, source_in_words
from adapter.exam import Urgency
from adapter.fhir.json import Json
from adapter.read.check.contradictions import UNLIKELY
from adapter.read.wording import dimensions_of

_MEANING = {Meaning.EXPECTED: "e", Meaning.VARIANT: "v", Meaning.ABNORMAL: "a"}
_URGENCY = {urgency: rank for rank, urgency in enumerate(Urgency)}


def page_data(catalogue: Catalogue, kind: str | None, *, served: bool, ward: bool = False) -> Json:
    """The catalogue as the page's script reads it (``script/catalogue.mjs``). Numbers are text, so that digits stay.

    ``kind`` keeps the page to one kind of exam; raises :class:`KeyError` for one that the catalogue does not have.
    """
    kinds = catalogue.kinds if kind is None else {kind: catalogue.kinds[kind]}
    tables = compiled(catalogue)
    place = {item: n for n, item in enumerate(catalogue.offered)}
    items = [
        _item(item, tables.ranges.get(item.id, []), tables.answers.get(item.id), catalogue)
        for item in catalogue.offered.values()
    ]
    return _filled(
        {
            "shared": _shared(items),
            "version": catalogue.settings.version,
            "policy": catalogue.settings.policy.model_dump(),
            "identifier_systems": catalogue.settings.identifier_systems,
            "served": served,
            "ward": ward,
            "stages": list(_stages(catalogue, place)),
            "items": items,
            "kinds": {
                k.id: {
                    "label": k.label,
                    "last": k.last,
                    "age": [str(end or "") for end in (k.age_hours.low, k.age_hours.high)] if k.age_hours else None,
                    "expected": [place[item.id] for item in catalogue.expected(k.id)],
                }
                for k in kinds.values()
            },
            "urgencies": [
                [catalogue.urgencies[u].inline]
                + [catalogue.words.say(f"tell.{form}.{section_key(u)}") for form in ("within", "title")]
                for u in Urgency
            ],
            "reasons": {r.id: [r.label, _URGENCY[r.urgency]] for r in catalogue.reasons.values()},
            "states": {t.id: t.label for t in catalogue.states.values()},
            "methods": {t.id: t.label for t in catalogue.methods.values()},
            "roles": {t.id: t.label for t in catalogue.roles.values()},
            "sites": {s.id: [s.label, *([s.side] if s.side else [])] for s in catalogue.sites.values()},
            "units": [_unit(unit, catalogue) for unit in catalogue.units.values()],
            **_rules(tables.rules),
            "not_judged": [_filled(one) for one in tables.not_judged],
            "estimates": [_plain(table) for table in catalogue.estimates.values()],
            "screening": _plain(catalogue.screening),
            "growth": catalogue.growth_reference is not None,
            "hours": [_hours(row, catalogue.hours[row["id"]], catalogue.words) for row in tables.hours],
            "unlikely": UNLIKELY,
            "words": _words(catalogue),
            "sources": {name: source_in_words(name, catalogue) for name in catalogue.sources},
        }
    )


def _words(catalogue: Catalogue) -> Json:
    """The sentences that the page says, and what is called otherwise within one."""
    words = catalogue.words
    listed: dict[str, dict[str, Worded]] = {
        name: dict(getattr(catalogue, name)) for name in ("sites", "reasons", "roles", "states")
    }
    listed["answers"] = {f"{i.id}.{a.id}": a for i in catalogue.items.values() for a in i.answers}
    listed["components"] = {f"{i.id}.{c.id}": c for i in catalogue.items.values() for c in i.components}
    within = {name: {one: e.within for one, e in some.items() if e.within} for name, some in listed.items()}
    # what is told apart by fixed ids has no label on the page
    for name in ("sides", "meanings"):
        within[name] = {one: term.inline for one, term in getattr(catalogue, name).items()}
    return {
        "decimal": words.decimal,
        "ones": words.ones,
        "moment": words.moment_form,
        "found_at": words.found_form,
        "remark": words.remark(),
        "sentences": {key: said for key, said in words.sentences.items() if key.startswith(_SAID)},
        "within": within,
    }


_SAID: tuple[str, ...] = (
    *("list", "clauses", "either", "is", "beside", "finding.", "range.", "judged.", "unjudged.", "hours.", "page."),
    *("sex.", "computed.no_gestation", "tell.to_do", "tell.by_", "tell.examiner", "tell.abnormal", "tell.variant"),
    *("tell.hours_of_life", "tell.measured", "tell.sample", "tell.not_judged", "tell.others", "tell.with_count"),
    *("told.at", "told.back", "told.not_back", "told.said", "of_exam", "report.born_at", "report.own_sides"),
)
"""How the keys begin of sentences that its script says."""


def _rules(rules: Sequence[Json]) -> Json:
    """The rules, with conditions that several have alike once: ``steps`` holds each, a leaf or ``["some", N,
    places of the conditions in it]``, and a rule the place of its own. ``catalogue.mjs`` writes them out again.
    """
    place: dict[str, int] = {}
    shared: list[Any] = []

    def at(node: list[Any]) -> int:
        if (key := json.dumps(node)) not in place:
            place[key] = len(shared)
            shared.append(node)
        return place[key]

    def root(steps: Sequence[list[Any]]) -> int:
        stack: list[int] = []
        for op, *asked in steps:
            if op == "some":
                needed, of = asked
                stack[-of:] = [at(["some", needed, stack[-of:]])]
            else:
                stack.append(at([op, *asked]))
        return stack[0]

    named = [_filled({**rule, "steps": None}) | {"steps": root(rule["steps"])} for rule in rules]
    return {"steps": shared, "rules": named}


def _hours(row: Json, table: HourTable, words: Words) -> Json:
    """A site's lines by the hour as compiled, with what is said of them (``script/hours.mjs``)."""
    return _filled(
        {
            **row,
            "risks": [[risk.label, steps] for risk, steps in zip(table.risks, row["risks"], strict=True)],
            "maker": by_table(table).said(words),
            "source": table.source,
            "unit": table.unit,
            "straight": table.between == "straight-line",
            "lines": [[line.label, line.urgency.value, line.flag.value, line.source] for line in table.lines],
            "caution": table.caution,
        }
    )


def _shared(items: Sequence[Json]) -> list[Any]:
    """What several items have alike and is long (sites, the signs of a score) once; the items point to it."""
    texts = Counter(json.dumps(item[key]) for item in items for key in _MAY_SHARE if key in item)
    once = [text for text, count in texts.items() if count > 1 and len(text) > 40]
    place = {text: n for n, text in enumerate(once)}
    for item in items:
        for key in _MAY_SHARE:
            if key in item and (n := place.get(json.dumps(item[key]))) is not None:
                item[key] = n
    return [json.loads(text) for text in once]


_MAY_SHARE = ("sites", "signs", "units", "methods", "how", "caution", "ranges")


def _stages(catalogue: Catalogue, place: Mapping[str, int]) -> Iterator[Json]:
    """The stages with their pages: what each is called, and the places of its items in the list."""
    for stage, pages in catalogue.staged():
        named = [
            [_page_label(regions, items, catalogue), [place[item.id] for item in items]] for regions, items in pages
        ]
        yield _filled({"id": stage.id, "label": stage.label, "how": stage.how, "pages": named})


def _page_label(regions: Sequence[str], items: Sequence[Item], catalogue: Catalogue) -> str:
    first, *rest = (catalogue.regions[region] for region in regions)
    words = catalogue.words
    label = words.listed([first.label, *(region.inline for region in rest)])
    guests = any(catalogue.region_of[item.id] not in regions for item in items)
    return words.say("page.with_others", pages=label) if guests else label


def _item(item: Item, ranges: list[Row], true_of: Json | None, catalogue: Catalogue) -> Json:
    return _filled(
        {
            "id": item.id,
            "label": item.label,
            "type": item.type.value,
            "sides": "" if item.sides == "none" else item.sides.value,
            "sites": item.sites,
            "site_required": item.site_required,
            "body_site": item.body_site,
            "methods": item.methods,
            "method": item.method,
            "states": item.states,
            "count_seconds": item.count_seconds,
            "minutes_after_birth": item.minutes_after_birth,
            "precede": catalogue.may_precede(item),
            "unit": item.unit,
            "units": _units_taken(item, catalogue),
            "molar_mass": item.molar_mass,
            "whole_numbers": item.whole_numbers,
            "limits": _limits(item.limits),
            "components": [_component(component) for component in item.components],
            "answers": [
                [
                    a.id,
                    a.label,
                    _MEANING[a.meaning],
                    *([_URGENCY[a.urgency]] if a.urgency is not Urgency.NONE else []),
                ]
                for a in item.offered
            ],
            "true_of": true_of,
            "exclusive": [a.id for a in item.offered if a.exclusive],
            "signs": [_sign(sign) for sign in item.signs],
            "ranges": ranges,
            "tell_when_not_examined": item.tell_when_not_examined,
            "compare_sides": item.compare_sides,
            "still_to_do": item.still_to_do,
            "chart": item.chart,
            "lasting": item.lasting,
            "one_by_one": item.one_by_one,
            "sex": item.sex,
            "computed": item.computed,
            "how": item.how,
            "caution": catalogue.caution(item),
            "source": item.sources[0],
        }
    ) | ({"minutes_after_birth": 0} if item.minutes_after_birth == 0 else {})


def _units_taken(item: Item, catalogue: Catalogue) -> list[str]:
    """UCUM codes of all units that a value may be captured in, the item's own first."""
    units = [
        unit.ucum
        for dimension in dimensions_of(item, catalogue.units)
        for unit in catalogue.units.of_dimension(dimension)
    ]
    return sorted(units, key=lambda ucum: ucum != item.unit)


def _component(component: Component) -> Json:
    return _filled(
        {
            "id": component.id,
            "label": component.label,
            "limits": _limits(component.limits),
            "required": component.required,
        }
    )


def _sign(sign: Sign) -> Json:
    answers = [[a.id, a.label, a.points] for a in sign.answers]
    return _filled({"id": sign.id, "label": sign.label, "group": sign.group, "sex": sign.sex, "answers": answers})


def _limits(limits: Limits | None) -> list[str] | None:
    return None if limits is None else [f"{end:f}" for end in (*limits.possible, *limits.plausible)]


def _unit(unit: Unit, catalogue: Catalogue) -> Json:
    return _filled(
        {
            "ucum": unit.ucum,
            "label": unit.label,
            "shown": catalogue.units.shown(unit.ucum),
            "dimension": unit.dimension,
            "spellings": unit.spellings,
            "offset": f"{unit.offset:f}" if unit.offset else None,
            "numerator": f"{unit.numerator:f}" if unit.numerator != 1 else None,
            "denominator": f"{unit.denominator:f}" if unit.denominator != 1 else None,
        }
    ) | {"places": unit.places}


def _plain(table: Any) -> Json:
    return {key: f"{v:f}" if isinstance(v, Decimal) else v for key, v in table.model_dump().items()}


def _filled(fields: Json) -> Json:
    """The fields that say something; decimals as text."""

    def empty(value: object) -> bool:
        return (
            value is None
            or value is False
            or value == ""
            or (value == 0 and not isinstance(value, Decimal))
            or (isinstance(value, (Sequence, dict)) and not value)
        )

    return {k: f"{v:f}" if isinstance(v, Decimal) else v for k, v in fields.items() if not empty(v)}
