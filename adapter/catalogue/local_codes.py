"""A site's own codes beside the standard ones, or in their place: ``local_codes.yaml``.

An entry names the ``system`` (one of ``systems.yaml`` with ``local: true``), the ``place`` of its codes (``first``,
``last`` or ``instead`` of the published ones), and codes by id: ``items``, ``regions``, ``reasons`` and the other
lists, ``answers``, ``components`` and ``signs`` as ``item.answer``. A code is written ``HR01 |Heart rate|``. The
adapter's own code always stays, so that nothing is lost.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Any

from adapter.catalogue.code import SITE, equivalent_by, is_code
from adapter.catalogue.files import Node, entries
from adapter.problems import Layer, Problem, Severity

_LISTS = ("reasons", "states", "methods", "roles", "kinds", "sites", "sides", "sections")
_WITHIN = ("answers", "components", "signs")
_PLACES = ("first", "last", "instead")
_FILE = "local_codes.yaml"
_FIELDS = ("system", "place", "items", "regions", *_LISTS, *_WITHIN)


def with_local_codes(raw: dict[str, Any]) -> list[Problem]:
    """Put a site's own codes into the raw catalogue, in place; what is wrong with them."""
    problems: list[Problem] = []
    for number, entry in enumerate(raw.get("local_codes", [])):
        if isinstance(entry, Mapping):
            problems += _entry(raw, entry)
        else:
            what = f"entry {number + 1} is not a mapping"
            problems.append(_problem(entry, "", what, "{system: .., place: first, items: {..}}"))
    return problems


def _entry(raw: dict[str, Any], entry: Mapping[str, Any]) -> Iterator[Problem]:
    system, place = entry.get("system"), entry.get("place", "last")
    local = [str(s.get("id")) for s in entries(raw.get("systems")) if s.get("local")]
    if system not in local:
        remedy = f"one of {', '.join(local)}" if local else "a system of systems.yaml with local: true"
        yield _problem(entry, "system", f"'{system}' is no code system of this site", remedy)
        return
    if place not in _PLACES:
        yield _problem(entry, "place", f"'{place}' is no place", f"one of {', '.join(_PLACES)}")
        return
    for part in entry:
        if part not in _FIELDS:
            yield _problem(entry, part, f"'{part}' is not known here", f"one of {', '.join(_FIELDS)}")
        elif part not in ("system", "place"):
            yield from _codes(_known(raw, part), entry[part], part, str(system), str(place), entry)


def _known(raw: dict[str, Any], part: str) -> dict[str, Any]:
    """What can be coded, by id; what stands in an item by ``item.id``."""
    items = {str(item.get("id")): item for region in raw["regions"].values() for item in entries(region.get("items"))}
    if part == "items":
        return items
    if part == "regions":
        return dict(raw["regions"])
    if part in _LISTS:
        return {str(entry.get("id")): entry for entry in entries(raw.get(part))}
    found = {}
    for name, item in items.items():
        found.update({f"{name}.{inner.get('id')}": inner for inner in entries(item.get(part))})
        if part == "answers":
            for sign in entries(item.get("signs")):
                found.update({f"{name}.{sign.get('id')}.{a.get('id')}": a for a in entries(sign.get("answers"))})
    return found


def coded_places(raw: dict[str, Any]) -> dict[str, Any]:
    """Every question, part and answer by its place: ``item``, ``item.answer``, ``item.sign.answer``. An answer goes
    before a part of the same name."""
    return {
        name: entry
        for part in ("signs", "components", "answers", "items")
        for name, entry in _known(raw, part).items()
    }


def _codes(
    known: Mapping[str, Any], codes: Any, part: str, system: str, place: str, entry: Mapping[str, Any]
) -> Iterator[Problem]:
    if not isinstance(codes, Mapping):
        yield _problem(entry, part, "is not a mapping of ids to codes", "heart_rate: HR01 |Heart rate|")
        return
    for name, code in codes.items():
        if name not in known:
            near = get_close_matches(name, list(known), 3, 0.5)
            remedy = f"did you mean {', '.join(near)}?" if near else "an id that the catalogue has"
            yield _problem(codes, f"{part}.{name}", f"'{name}' is not in the catalogue", remedy, "unknown-reference")
        elif part == "items" and place == "instead" and known[name].get("profile"):
            what = f"{name} claims {known[name]['profile']}, which demands its published code"
            remedy = "place: first or last; or profile: null in the item, and no vital sign"
            yield _problem(codes, f"{part}.{name}", what, remedy, "profile-needs-code")
        elif not is_code(f"{system} {code}"):
            remedy = "one word, and a display between bars: HR01 |Heart rate|"
            yield _problem(codes, f"{part}.{name}", f"'{code}' is not a code", remedy)
        else:
            _put(known[name], equivalent_by(SITE, f"{system} {code}"), system, place)


def _put(entry: dict[str, Any], code: str, system: str, place: str) -> None:
    published = list(entry.get("codes", []))
    if place == "instead":
        entry["codes"] = [code]
        for further in ("codes_by", "left", "right"):
            entry.pop(further, None)
        if "position" in entry and published:  # an item says why it has no standard code
            entry["no_standard_code"] = f"This site sends its own code ({system}) in place of the published ones."
    else:
        entry["codes"] = [code, *published] if place == "first" else [*published, code]


def _problem(holder: Any, place: str, what: str, remedy: str, rule: str = "local-codes") -> Problem:
    at = isinstance(holder, Node) and holder.file == _FILE
    line = holder.lines.get(place.partition(".")[2] or place, holder.line) if at else None
    return Problem(Severity.ERROR, Layer.CATALOGUE, rule, what, remedy, where=place, file=_FILE, line=line)
