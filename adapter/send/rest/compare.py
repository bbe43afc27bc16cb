"""What was meant against what a server holds, field by field.

What a server may add is no difference: ids, version and time (``meta``), narrative, links made absolute; nor is the
order of a concept's codings. A reference is right if it leads to the resource that was meant.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from adapter.fhir.json import Json

#: What the server sets, or may make of a resource for readers
_SERVERS_OWN = frozenset({"id", "meta", "text", "resourceType", "implicitRules"})


Leads = Callable[[str, str], bool]
"""Whether a reference found leads where the reference meant does."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A field that is not as meant; ``how`` is ``missing``, ``unexpected``, ``differs`` or ``digits`` (the same
    number with other digits). The values stay out of it: they are the patient's."""

    path: str
    how: str

    def __str__(self) -> str:
        words = {
            "missing": "is missing",
            "unexpected": "was not meant",
            "differs": "differs",
            "digits": "has other digits for the same number",
        }
        return f"{self.path} {words[self.how]}"


def differences(meant: dict[str, Any], found: dict[str, Any], leads: Leads) -> list[Difference]:
    """All fields of a resource that are not as meant."""
    there: list[Difference] = []
    _fields(meant, found, "", leads, there)
    return there


def _fields(meant: Json, found: Json, path: str, leads: Leads, there: list[Difference]) -> None:
    own = _SERVERS_OWN if not path else frozenset()
    for key in meant if found.keys() <= meant.keys() else [*meant, *(key for key in found if key not in meant)]:
        if key in own:
            continue
        place = f"{path}.{key}" if path else key
        if key not in found:
            there.append(Difference(place, "missing"))
        elif key not in meant:
            there.append(Difference(place, "unexpected"))
        elif key == "reference":
            if not leads(str(meant[key]), str(found[key])):
                there.append(Difference(place, "differs"))
        else:
            other = _in_order_of(meant[key], found[key]) if key == "coding" else found[key]
            _value(meant[key], other, place, leads, there)


def _in_order_of(meant: Any, found: Any) -> Any:
    """The codings found in the order of those meant, where they are of the same codes."""
    if not (isinstance(meant, list) and isinstance(found, list)):
        return found
    if len(meant) == len(found) == 1:
        return found
    place = {_code(coding): number for number, coding in enumerate(meant)}
    known = all(_code(coding) in place for coding in found)
    return sorted(found, key=lambda coding: place[_code(coding)]) if known else found


def _code(coding: Any) -> tuple[Any, Any]:
    return (coding.get("system"), coding.get("code")) if isinstance(coding, dict) else (None, None)


def _value(meant: Any, found: Any, path: str, leads: Leads, there: list[Difference]) -> None:
    if isinstance(meant, str):  # by far the most
        if meant != found:
            there.append(Difference(path, "differs"))
    elif isinstance(meant, dict) and isinstance(found, dict):
        _fields(meant, found, path, leads, there)
    elif isinstance(meant, list) and isinstance(found, list):
        if len(meant) != len(found):
            there.append(Difference(path, "differs"))
        for number, (one, other) in enumerate(zip(meant, found, strict=False)):
            _value(one, other, f"{path}[{number}]", leads, there)
    elif _is_number(meant) and _is_number(found):
        if meant != found:
            there.append(Difference(path, "differs"))
        elif str(meant) != str(found):
            there.append(Difference(path, "digits"))
    elif meant != found or type(meant) is not type(found):
        there.append(Difference(path, "differs"))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | Decimal) and not isinstance(value, bool)
