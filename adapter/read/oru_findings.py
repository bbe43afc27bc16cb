"""The findings of one OBR: the OBX of one sub-id are one finding, as :mod:`~adapter.write.v2.results` writes it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.catalogue.words import parts_said
from adapter.exam import Side
from adapter.fhir.json import Json
from adapter.read.raw import Unreadable
from adapter.v2.er7 import Read, read_moment

Own = Callable[[Read, int], str | None]
"""The code of the project's own in a field of a segment."""
Complain = Callable[[Read, int, str, str], None]

GESTATION = "gestational_age_at_birth"


@dataclass(slots=True)
class Noted:
    """An OBX and the comments under it."""

    result: Read
    comments: list[Read] = field(default_factory=list)

    def comment(self, kind: str) -> str | None:
        """The text of the first comment of a type."""
        return next((one.whole(3) for one in self.comments if one.part(4) == kind), None)


@dataclass(slots=True)
class Group:
    """An OBR with its comments and results."""

    request: Read
    comments: list[Read] = field(default_factory=list)
    results: list[Noted] = field(default_factory=list)

    def add(self, segment: Read) -> None:
        """The next OBX or NTE under it."""
        if segment.name == "OBX":
            self.results.append(Noted(segment))
        elif self.results:
            self.results[-1].comments.append(segment)
        else:
            self.comments.append(segment)

    def standing(self) -> Group:
        """Without what an earlier version said and this one withdraws."""
        return Group(self.request, self.comments, [o for o in self.results if o.comment("withdrawn") is None])

    def comment(self, kind: str) -> str | None:
        """The text of the OBR's own comment of a type."""
        return next((one.whole(3) for one in self.comments if one.part(4) == kind), None)


def findings(group: Group, catalogue: Catalogue, own: Own, complain: Complain) -> Iterator[tuple[Json, Read]]:
    """Each captured finding of an OBR as in the capture record, with the segment that holds its value."""
    by_sub_id: dict[str, list[tuple[str, Noted]]] = {}
    for one in group.results:
        code = own(one.result, 3)
        if code is None or not one.result.raw(4):
            where, what = (3, "has no code of our own") if code is None else (4, "has no sub-id")
            complain(one.result, where, f"OBX-{where} {what}", "a result written by this adapter")
            continue
        by_sub_id.setdefault(one.result.part(4), []).append((code, one))
    for sub_id, members in by_sub_id.items():
        name = members[0][0].partition(".")[0]
        item = catalogue.items.get(name)
        if item is None:
            complain(members[0][1].result, 3, "OBX-3 names no item of this catalogue", "its catalogue")
        elif all(one.comment("computed") is None for _, one in members):
            yield _finding(item, sub_id, members, own, catalogue), members[0][1].result


def gestation_of(noted: Noted, own: Own) -> Json:
    """The gestation on record, which is sent as an age in days, or weeks where the days are not known."""
    number = int(noted.result.part(5)) if re.fullmatch(r"\d{1,3}", noted.result.part(5)) else 0
    weeks, days = divmod(number, 7) if noted.result.part(6) == "d" else (number, None)
    found: Json = {"weeks": weeks, "days": days, "method": own(noted.result, 17)}
    return {key: value for key, value in found.items() if value is not None}


def _finding(item: Item, sub_id: str, members: list[tuple[str, Noted]], own: Own, catalogue: Catalogue) -> Json:
    mains = [one for code, one in members if code == item.id]
    parts = {code.partition(".")[2]: one for code, one in members if code.startswith(f"{item.id}.")}
    details = {code.removeprefix("detail."): one.result for code, one in members if code.startswith("detail.")}
    first = members[0][1]
    found: Json = {"item": item.id}
    absent = first.comment("absent")
    if absent is not None:
        said = parts_said(absent, "v2.not_examined", catalogue.words)
        found["not_examined"] = said["code"] if said else None
    elif item.type is ItemType.QUANTITIES and parts:
        found["value"] = _quantities(parts, catalogue)
    elif item.type is ItemType.SCORE and (parts or mains):
        found["value"] = _score(item, mains, parts, own)
    elif mains:
        found |= _value(item, mains[0], own, catalogue)
    else:
        found["value"] = Unreadable("not-ours", "OBX-3 names a part of an item that has none", "the item's own code")
    side = next((part for part in sub_id.split(".") if part in list(Side)), None)
    seconds = details["counted-seconds"].part(5) if "counted-seconds" in details else None
    circumstances = {
        "side": side,
        "method": own(first.result, 17),
        "site": own(details["site"], 5) if "site" in details else None,
        "state": own(details["state"], 5) if "state" in details else None,
        "urgency": own(details["urgency"], 5) if "urgency" in details else None,
        "counted_seconds": seconds,
        "note": first.comment("RE"),
        "observed_at": _moment(first.result, 14),
    }
    return found | {key: value for key, value in circumstances.items() if value is not None}


def _moment(result: Read, field: int) -> str | Unreadable | None:
    try:
        return read_moment(result.raw(field)) if result.raw(field) else None
    except ValueError as error:
        return Unreadable("time", f"OBX-{field} is {error}", "a time stamp with its offset")


def _value(item: Item, noted: Noted, own: Own, catalogue: Catalogue) -> Json:
    """``value`` or ``text`` by the type of the value (OBX-2)."""
    result = noted.result
    match result.raw(2):
        case "NM" | "SN":
            return {"value": _quantity(noted, catalogue)}
        case "TS" | "DTM":
            return {"value": {"time": _moment(result, 5)}}
        case "ST" | "FT" | "TX":
            return {"text": result.whole(5)}
        case "CWE" | "CE":
            code = own(result, 5)
            if code is None:
                return {
                    "value": Unreadable("not-ours", "OBX-5 has no code of our own", "an answer of this catalogue")
                }
            return {"value": code.removeprefix(f"{item.id}.")}
    remedy = "CE, CWE, FT, NM, SN, ST, TS or TX"
    return {"value": Unreadable("not-ours", "OBX-2 is no type that is read here", remedy)}


_CAPTURED = re.compile(r"(\S+) (.+?)(?: (-?\d+(?:\.\d+)?) (.+?))?")


def _quantity(noted: Noted, catalogue: Catalogue) -> Json:
    """As it was captured: from the comment that says so, else the value and the spelling of its unit."""
    said = parts_said(noted.comment("captured") or "", "note.captured_only", catalogue.words)
    result, captured = noted.result, _CAPTURED.fullmatch(said["value"]) if said else None
    structured = result.raw(2) == "SN"
    value: Json = {"value": result.part(5, 2 if structured else 1), "unit": result.part(6, 2) or result.part(6)}
    if captured is not None:
        value = {"value": captured[1], "unit": captured[2]}
        if captured[3] is not None:
            value["plus"] = {"value": captured[3], "unit": captured[4]}
    if structured and result.part(5) not in ("", "="):
        value["comparator"] = result.part(5)
    return value


def _quantities(parts: dict[str, Noted], catalogue: Catalogue) -> Json:
    values = {name: _quantity(one, catalogue) for name, one in parts.items()}
    unit = next(iter(values.values()))["unit"]
    return {"components": {name: one["value"] for name, one in values.items()}, "unit": unit}


def _score(item: Item, mains: list[Noted], parts: dict[str, Noted], own: Own) -> Json:
    signs = {n: (own(one.result, 5) or "").removeprefix(f"{item.id}.{n}.") for n, one in parts.items()}
    found: Json = {"signs": signs}
    if mains and mains[0].comment("summed") is None:
        total = mains[0].result.part(5)
        found["total"] = int(total) if re.fullmatch(r"-?\d{1,4}", total) else total
    return found
