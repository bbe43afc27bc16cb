"""Mutants: a resource with one change drawn by its name, so that the same name is the same mutant on every machine.

A mutant need not be wrong (an optional element may go); the judge says what it is. A kind of change is a function
that makes it at a place, and says whether it could be made there.
"""

from __future__ import annotations

import copy
import random
import re
from collections.abc import Callable, Iterator
from typing import Any

Json = dict[str, Any]
#: The object or array that holds a value, and the value's name or number in it
Place = tuple[Any, Any]

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}.*")
_CODE = re.compile(r"[a-z][a-z-]{1,30}")
_LEFT_ALONE = ("resourceType", "div", "id")


def mutant(base: Json, name: str) -> tuple[str, Json]:
    """The kind of change that the name draws, and a copy of the resource with it."""
    draw = random.Random(name)
    for _ in range(100):
        made = copy.deepcopy(base)
        kind = draw.choice(list(KINDS))
        if KINDS[kind](draw.choice(list(places(made))), draw):
            return kind, made
    raise ValueError(f"no change can be made in {name}")


def places(value: Any) -> Iterator[Place]:
    """Every place in a resource that may be changed."""
    named = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in list(named):
        if key not in _LEFT_ALONE:
            yield value, key
        yield from places(inner)


def _put(place: Place, value: Any) -> bool:
    holder, key = place
    holder[key] = value
    return True


def _left_out(place: Place, draw: random.Random) -> bool:
    holder, key = place
    del holder[key]
    return True


def _renamed(place: Place, draw: random.Random) -> bool:
    holder, key = place
    if not isinstance(key, str):
        return False
    holder[key + draw.choice(("s", "X", "[x]", "_"))] = holder.pop(key)
    return True


def _of_another_type(place: Place, draw: random.Random) -> bool:
    holder, key = place
    value = holder[key]
    if isinstance(value, str):
        return _put(place, draw.choice((7, True, {"text": value}, [value])))
    return _put(place, draw.choice(("text", 1.5, [value], {"value": value})))


def _array_or_not(place: Place, draw: random.Random) -> bool:
    holder, key = place
    value = holder[key]
    return _put(place, value[0] if isinstance(value, list) and value else [value, value])


def _emptied(place: Place, draw: random.Random) -> bool:
    return _put(place, draw.choice(("", {}, [], None, " ")))


def _other_code(place: Place, draw: random.Random) -> bool:
    holder, key = place
    value = holder[key]
    return isinstance(value, str) and bool(_CODE.fullmatch(value)) and _put(place, value + "-none")


def _no_day(place: Place, draw: random.Random) -> bool:
    holder, key = place
    value = holder[key]
    if not isinstance(value, str) or not _DAY.fullmatch(value):
        return False
    return _put(
        place, draw.choice((value[:8] + "32", value[:4] + "/" + value[5:], value + "T", value[:4] + "-13-01"))
    )


def _other_reference(place: Place, draw: random.Random) -> bool:
    _, key = place
    wrong = ("Nothing/1", "SearchParameter/1", "#nowhere", "p 1", "Patient/a_b", "urn:uuid:5")
    return key == "reference" and _put(place, draw.choice(wrong))


def _other_system(place: Place, draw: random.Random) -> bool:
    holder, key = place
    if key not in ("system", "url", "instantiatesCanonical", "profile") or not isinstance(holder[key], str):
        return False
    return _put(place, draw.choice(("here", "Measure/1", "http://loinc.org", "http://x y")))


def _spaced(place: Place, draw: random.Random) -> bool:
    holder, key = place
    value = holder[key]
    return isinstance(value, str) and _put(place, draw.choice((f" {value}", f"{value} ", f"{value}\u0007")))


def _other_number(place: Place, draw: random.Random) -> bool:
    holder, key = place
    value = holder[key]
    is_number = not isinstance(value, str | dict | list | bool) and value is not None
    return is_number and _put(place, draw.choice((-5, 0, 2**31, 17 + value)))


def _extended(place: Place, draw: random.Random) -> bool:
    holder, key = place
    if not isinstance(holder[key], dict) or key == "extension":
        return False
    url = "http://example.org/fhir/StructureDefinition/x"
    inner = {"url": url, "valueString": "text"}
    wrong = ({"url": url}, {"valueString": "text"}, {**inner, "extension": [inner]}, {**inner, "valueBoolean": True})
    holder[key]["extension"] = [draw.choice(wrong)]
    return True


def _both(place: Place, draw: random.Random) -> bool:
    """A second type of a choice beside the first."""
    holder, key = place
    match = re.fullmatch(r"([a-z]+)(Quantity|CodeableConcept|Reference|DateTime|Period|String|Boolean)", str(key))
    if match is None or not isinstance(holder, dict):
        return False
    other, value = draw.choice((("String", "text"), ("Boolean", True), ("Period", {"start": "2024"})))
    holder.setdefault(match[1] + other, value)
    return True


KINDS: dict[str, Callable[[Place, random.Random], bool]] = {
    "left out": _left_out,
    "renamed": _renamed,
    "of another type": _of_another_type,
    "array or not": _array_or_not,
    "emptied": _emptied,
    "other code": _other_code,
    "no day": _no_day,
    "other reference": _other_reference,
    "other system": _other_system,
    "spaced": _spaced,
    "other number": _other_number,
    "extended": _extended,
    "two of a choice": _both,
}
