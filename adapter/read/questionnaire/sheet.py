"""Findings as the record holds them and as they stand in a form, where several may share a group."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from adapter.catalogue import ItemType
from adapter.fhir.json import Json
from adapter.problems import AdapterError
from adapter.read.questionnaire.answers import Words
from adapter.read.questionnaire.form import QuestionnaireForm
from adapter.read.raw import Unreadable

_SHARED = ("side", "site", "method", "state", "counted_seconds", "observed_at", "urgency", "note")


class NotInForm(AdapterError, ValueError):
    """The exam holds what the form of its kind has no place for; the message names it."""


def to_sheet(record: Json, form: QuestionnaireForm, *, apart: bool = False) -> Json:
    """The findings of a record (of :meth:`adapter.exam.Exam.record`) by the linkId of their group.

    Answers that differ in nothing else stand in one group, or ``apart``. ``order`` is the number of the first of
    them in the record, where the record has another order than the form. Raises :class:`NotInForm`.
    """
    groups: dict[str, list[Json]] = {}
    for number, finding in enumerate(record["findings"], start=1):
        link = _link(finding, form)
        entry = {**_entry(finding, form), "order": number}
        same = groups.setdefault(link, [])
        if not apart and same and form.findings[link][0].type is ItemType.CHOICES and _joins(same[-1], entry, number):
            same[-1]["value"] += entry["value"]
        else:
            same.append(entry)
    ordered = {link: groups[link] for link in form.by_link if link in groups}
    orders = [entry["order"] for entries in ordered.values() for entry in entries]
    if orders == sorted(orders):
        for entries in ordered.values():
            for entry in entries:
                del entry["order"]
    return ordered


def _link(finding: Json, form: QuestionnaireForm) -> str:
    item = form.catalogue.items.get(finding["item"])
    if item is None:
        raise NotInForm(f"the catalogue has no item {finding['item']}")
    if not item.on:
        raise NotInForm(f"{item.id} is retired, and the form does not ask it")
    links = form.links_of(item)
    link = links.get(None) or links.get(finding.get("side"))
    if link is None:
        raise NotInForm(f"{item.id} is asked for each side, and the finding has none")
    return link


def _entry(finding: Json, form: QuestionnaireForm) -> Json:
    item = form.catalogue.items[finding["item"]]
    fixed = form.links_of(item).get(None) is None
    entry: Json = {key: finding[key] for key in _SHARED if key in finding and not (fixed and key == "side")}
    value = finding.get("value")
    if "not_examined" in finding:
        entry["not_examined"] = finding["not_examined"]
    elif "text" in finding:
        entry["value"] = [Words(finding["text"])]
    elif isinstance(value, dict) and "components" in value:
        unit = {"unit": value["unit"]}
        entry["components"] = {name: {"value": number, **unit} for name, number in value["components"].items()}
    elif isinstance(value, dict) and "value" in value:
        entry["value"] = [{key: part for key, part in value.items() if key != "plus"}]
        entry |= {"plus": value["plus"]} if "plus" in value else {}
    elif isinstance(value, dict):
        entry |= value
    else:
        entry["value"] = [value]
    return entry


def _joins(before: Json, entry: Json, number: int) -> bool:
    """Whether a finding is one more answer of the group before it: next in the record, and alike in all else."""
    if "value" not in before or "value" not in entry or before["order"] + len(before["value"]) != number:
        return False
    kept = ("value", "order")
    return {k: v for k, v in before.items() if k not in kept} == {k: v for k, v in entry.items() if k not in kept}


def from_sheet(entry: Json, link: str, form: QuestionnaireForm) -> Iterator[tuple[Json, str]]:
    """The findings of one group, each with the pointer of its value in the group (empty: the group itself)."""
    item, side = form.findings[link]
    shared: Json = {"item": item.id} | ({"side": side.value} if side is not None else {})
    shared |= {key: entry[key] for key in (*_SHARED, "not_examined") if key in entry}
    answers = list(_answers(entry, item.type, form))
    for answer, at in answers:
        yield {**shared, **answer}, at
    if not answers and entry.keys() - {"more", "order"}:
        yield shared, ""


def _answers(entry: Json, kind: ItemType, form: QuestionnaireForm) -> Iterator[tuple[Json, str]]:
    for n, value in enumerate(entry.get("value", ())):
        at = f"/value/{n}"
        if isinstance(value, Words):
            yield {"text": value.text}, at
        elif isinstance(value, dict) and "plus" in entry:
            yield {"value": {**value, "plus": _amount(entry["plus"])}}, at
        else:
            yield {"value": value}, at
    if "components" in entry:
        yield {"value": _components(entry["components"], form)}, ""
    if "total" in entry or "signs" in entry:
        yield {"value": {key: entry[key] for key in ("total", "signs") if key in entry}}, ""
    if "time" in entry:
        yield {"value": {"time": entry["time"]}}, ""
    if "plus" in entry and "value" not in entry:
        yield (
            {"value": Unreadable("wrong-parts", "the second part of an amount without the first", "both, or none")},
            "",
        )


def _amount(plus: Any) -> Any:
    return {key: plus[key] for key in plus if key != "comparator"} if isinstance(plus, dict) else plus


def _components(components: Json, form: QuestionnaireForm) -> Any:
    """The numbers of one measurement; the record has one unit for all of them."""
    numbers = {name: part["value"] if isinstance(part, dict) else part for name, part in components.items()}
    units = [part.get("unit") for part in components.values() if isinstance(part, dict)]
    known = [unit for unit in units if unit is not None]
    for part in components.values():
        if isinstance(part, dict) and "comparator" in part:
            return Unreadable("wrong-kind-of-value", "a comparator with one of several numbers", "the number alone")
    first = known[0] if known else None
    table = form.catalogue.units
    if any(isinstance(u, str) and isinstance(first, str) and table.find(u) is not table.find(first) for u in known):
        return Unreadable("mixed-units", "the numbers of one measurement have different units", "one unit for all")
    return {"components": numbers} | ({"unit": first} if first is not None else {})
