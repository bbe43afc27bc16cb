"""What was meant against what a server holds, field by field.

What a server may add is no difference: ids, version and time (``meta``), narrative, links made absolute; nor is the
order of a concept's codings. A reference is right if it leads to the resource that was meant.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

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
    return list(_fields(meant, found, "", leads))


def _fields(meant: dict[str, Any], found: dict[str, Any], path: str, leads: Leads) -> Iterator[Difference]:
    own = _SERVERS_OWN if not path else frozenset()
    for key in [*meant, *(key for key in found if key not in meant)]:
        if key in own:
            continue
        place = f"{path}.{key}" if path else key
        if key not in found:
            yield Difference(place, "missing")
        elif key not in meant:
            yield Difference(place, "unexpected")
        elif key == "reference":
            if not leads(str(meant[key]), str(found[key])):
                yield Difference(place, "differs")
        else:
            there = _in_order_of(meant[key], found[key]) if key == "coding" else found[key]
            yield from _value(meant[key], there, place, leads)


def _in_order_of(meant: Any, found: Any) -> Any:
    """The codings found in the order of those meant, where they are of the same codes."""
    if not (isinstance(meant, list) and isinstance(found, list)):
        return found
    place = {_code(coding): number for number, coding in enumerate(meant)}
    known = all(_code(coding) in place for coding in found)
    return sorted(found, key=lambda coding: place[_code(coding)]) if known else found


def _code(coding: Any) -> tuple[Any, Any]:
    return (coding.get("system"), coding.get("code")) if isinstance(coding, dict) else (None, None)


def _value(meant: Any, found: Any, path: str, leads: Leads) -> Iterator[Difference]:
    if isinstance(meant, dict) and isinstance(found, dict):
        yield from _fields(meant, found, path, leads)
    elif isinstance(meant, list) and isinstance(found, list):
        if len(meant) != len(found):
            yield Difference(path, "differs")
        for number, (one, other) in enumerate(zip(meant, found, strict=False)):
            yield from _value(one, other, f"{path}[{number}]", leads)
    elif _is_number(meant) and _is_number(found):
        if meant != found:
            yield Difference(path, "differs")
        elif str(meant) != str(found):
            yield Difference(path, "digits")
    elif meant != found or type(meant) is not type(found):
        yield Difference(path, "differs")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | Decimal) and not isinstance(value, bool)
