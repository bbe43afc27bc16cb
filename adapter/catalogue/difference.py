"""What differs between two catalogues, entry by entry: a site's beside the shipped one, or two versions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.code import Code, Frozen
from adapter.catalogue.model import Condition, Range, Region, Span
from adapter.exam.model import Urgency

_LISTS = (
    *("systems", "sides", "sections", "meanings", "urgencies", "details", "reasons", "methods", "states", "roles"),
    *("kinds", "sites", "profiles", "rules", "not_judged", "cohorts", "signatures", "estimates", "screenings"),
    *("growth", "hours", "sources"),
)
_NAMED = ("answers", "components", "signs")
_NESTED = ("policy", "emit", "persons", "size_bands", "organisation")
_LABELS = ("label",)
_SWITCH = "on"

Kind = Literal["added", "gone", "changed", "off", "on", "label"]


@dataclass(frozen=True, slots=True)
class CatalogueChange:
    """One difference: ``kind``, the list and entry it is in (``item heart_rate``), the field, and both values.

    ``added`` and ``gone`` have the entry's label. ``label`` is a change of words alone; ``off`` and ``on`` switch a
    rule or a claimed profile.
    """

    kind: Kind
    place: str
    field: str
    before: str
    after: str


def difference(before: Catalogue, after: Catalogue) -> list[CatalogueChange]:
    """Every difference, settings first, then the lists, the regions and the items in exam order."""
    found = list(_fields("setting", _plain(before.settings), _plain(after.settings)))
    for name in _LISTS:
        found += _entries(name.removesuffix("s"), getattr(before, name), getattr(after, name))
    found += _entries("unit", dict(before.units), dict(after.units))
    found += _entries("region", _without_items(before), _without_items(after))
    found += _entries("item", before.items, after.items)
    return found


def _without_items(catalogue: Catalogue) -> dict[str, Region]:
    return {name: region.model_copy(update={"items": ()}) for name, region in catalogue.regions.items()}


def labelled(shipped: Catalogue, site: Catalogue) -> tuple[int, int]:
    """How many labels of items, answers, signs and terms differ from the shipped ones, and how many there are."""
    ours, theirs = dict(_labels(shipped)), dict(_labels(site))
    return sum(theirs.get(place) != label for place, label in ours.items()), len(ours)


def _labels(catalogue: Catalogue) -> Iterator[tuple[str, str]]:
    for region in catalogue.regions.values():
        yield f"region {region.region}", region.label
    for item in catalogue.items.values():
        yield item.id, item.label
        for part in (item.answers, item.components, item.signs):
            yield from ((f"{item.id}.{inner.id}", inner.label) for inner in part)
        for sign in item.signs:
            yield from ((f"{item.id}.{sign.id}.{answer.id}", answer.label) for answer in sign.answers)
    for name in (
        *("sides", "sections", "meanings", "urgencies", "details"),
        *("reasons", "methods", "states", "roles", "kinds"),
    ):
        yield from ((f"{name} {term.id}", term.label) for term in getattr(catalogue, name).values())
    yield from ((f"sites {term.id}", term.label) for term in catalogue.sites.values())


def _plain(entry: Any) -> dict[str, Any]:
    """The fields of an entry; those that hold entries with ids as mappings by id."""
    plain = {}
    for name in type(entry).model_fields:
        value = getattr(entry, name)
        plain[name] = {inner.id: inner for inner in value} if name in _NAMED else value
    return plain


def _entries(kind: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[CatalogueChange]:
    for name, entry in after.items():
        if name not in before:
            yield CatalogueChange("added", f"{kind} {name}", "", "", str(getattr(entry, "label", name)))
        elif entry != before[name]:
            yield from _fields(f"{kind} {name}", _plain(before[name]), _plain(entry))
    for name, entry in before.items():
        if name not in after:
            yield CatalogueChange("gone", f"{kind} {name}", "", str(getattr(entry, "label", name)), "")


def _fields(place: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[CatalogueChange]:
    for name, value in after.items():
        old = before.get(name)
        if old == value or name == "within":  # the label again, within a sentence
            continue
        if name in _NAMED:
            yield from _entries(f"{place}, {name.removesuffix('s')}", old or {}, value)
        elif name == _SWITCH:
            yield CatalogueChange("on" if value else "off", place, "", "", "")
        elif name in _NESTED and old is not None and value is not None:
            for inner in _fields("", _plain(old), _plain(value)):
                yield CatalogueChange(inner.kind, place, f"{name}.{inner.field}", inner.before, inner.after)
        else:
            kind: Kind = "label" if name in _LABELS else "changed"
            yield CatalogueChange(kind, place, name, _shown(old), _shown(value))


def _shown(value: Any) -> str:
    """A value of the catalogue in one line."""
    if value is None or value in ((), {}):
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "; ".join(_shown(entry) for entry in value)
    if isinstance(value, Mapping):
        return "; ".join(f"{key}: {_shown(entry)}" for key, entry in value.items())
    if isinstance(value, Range):
        urgent = "" if value.urgency is Urgency.NONE else f", {value.urgency.value}"
        when = "" if value.when == Condition() else f", when {_dumped(value.when)}"
        return f"{value} {value.meaning.value}{urgent}{when} ({value.source})"
    if isinstance(value, Frozen) and not isinstance(value, (Code, Span)):
        return _dumped(value)
    return str(value)


def _dumped(value: Frozen) -> str:
    return _flat(value.model_dump(mode="json", exclude_defaults=True))


def _flat(value: Any) -> str:
    if isinstance(value, Mapping):
        return " ".join(f"{key} {_flat(inner)}" for key, inner in value.items())
    return ", ".join(map(_flat, value)) if isinstance(value, list) else str(value)
