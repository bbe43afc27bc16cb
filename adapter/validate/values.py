"""Whether a JSON value is a legal value of an R4 primitive datatype.

FHIR R4, Data Types (datatypes.html): the JSON type, the regular expression from the official definitions,
and what its prose adds: days that exist, 32-bit integers, no control characters, whole base64.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

from adapter.fhir.definitions import primitive
from adapter.fhir.json import FhirJsonError, decimal_text

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_BASE64 = re.compile(r"[0-9A-Za-z+/]+={0,2}")
_OTHER_SPACE = re.compile(r"(?! )\s")
#: R4, datatypes.html#string: "SHALL NOT exceed 1MB (1024*1024 characters)"; a markdown is a string
_LONGEST = 1024 * 1024
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s]")
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_OID = re.compile(r"[0-2](\.(0|[1-9][0-9]*))+")
_LOWEST = {"integer": -(2**31), "unsignedInt": 0, "positiveInt": 1}
_HIGHEST = 2**31 - 1
#: Codes and the addresses of their systems come again and again, and are nobody's data
_OFTEN_THE_SAME = ("code", "uri", "canonical")
_MOST_REMEMBERED = 4096

_EXAMPLES = {
    "base64Binary": "base64 text, its length a multiple of four",
    "canonical": "an absolute URI without spaces, or #id of what is contained",
    "code": "text without spaces at the ends, and single spaces inside",
    "date": "a day that exists, as YYYY, YYYY-MM or YYYY-MM-DD",
    "dateTime": "YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss+zz:zz; with a time, seconds and zone are needed",
    "id": "1 to 64 letters, digits, '-' and '.'",
    "instant": "YYYY-MM-DDThh:mm:ss+zz:zz; seconds and zone are needed",
    "oid": "urn:oid: and an OID",
    "time": "hh:mm:ss without a zone",
    "uri": "a URI without spaces; a urn:uuid: with a UUID in lower case, a urn:oid: with an OID",
    "url": "a URL without spaces",
    "uuid": "urn:uuid: and a UUID in lower case",
}


def right_form(type_name: str) -> str:
    """What a legal value looks like, for a person."""
    return _EXAMPLES.get(type_name, f"a value of type {type_name}")


def is_json_type(type_name: str, value: Any) -> bool:
    """Whether the JSON type is the one that R4 writes this primitive with."""
    kind = primitive(type_name).json
    if kind == "string":
        return isinstance(value, str)
    if kind == "boolean":
        return isinstance(value, bool)
    if type_name == "decimal":
        return isinstance(value, int | Decimal | float) and not isinstance(value, bool)
    return isinstance(value, int) and not isinstance(value, bool)


def is_legal(type_name: str, value: Any) -> bool:
    """Whether a value of the right JSON type is a legal one (empty strings are another rule's business)."""
    return _checker(type_name)(value)


def has_space(value: str) -> bool:
    """Whether a text has white space anywhere."""
    return any(letter.isspace() for letter in value)


@cache
def quick_test(type_name: str) -> Callable[[Any], bool]:
    """A test of any JSON value that is true only for a legal value: JSON type, content and form at once."""
    legal, kind = _checker(type_name), primitive(type_name).json
    if type_name == "base64Binary":
        return lambda value: type(value) is str and value != "" and legal(value) and not has_space(value)
    if type_name in _OFTEN_THE_SAME:
        return _remembering(legal)
    if kind == "string":
        return lambda value: type(value) is str and value != "" and legal(value)
    if kind == "boolean":
        return lambda value: value is True or value is False
    if type_name == "decimal":
        return lambda value: type(value) in (int, Decimal) and legal(value)
    return lambda value: type(value) is int and legal(value)


def _remembering(legal: Callable[[Any], bool]) -> Callable[[Any], bool]:
    """The test of a string that knows again what it has found legal; so many at most."""
    known: set[str] = set()

    def test(value: Any) -> bool:
        if type(value) is not str:
            return False
        if value in known:
            return True
        if value == "" or not legal(value):
            return False
        if len(known) >= _MOST_REMEMBERED:
            known.clear()
        known.add(value)
        return True

    return test


@cache
def _checker(type_name: str) -> Callable[[Any], bool]:
    if type_name in _LOWEST:
        lowest = _LOWEST[type_name]
        return lambda value: lowest <= value <= _HIGHEST
    special: dict[str, Callable[[Any], bool]] = {
        "boolean": lambda value: True,
        "decimal": _is_decimal,
        "base64Binary": _is_base64,
        "xhtml": lambda value: not _CONTROL.search(value),
    }
    if type_name in special:
        return special[type_name]
    pattern = primitive(type_name).pattern
    if pattern is None:
        return lambda value: not _CONTROL.search(value)
    matches = pattern.fullmatch
    if type_name in ("string", "markdown"):  # their expressions let pass whatever is no control character
        return lambda value: len(value) <= _LONGEST and not _CONTROL.search(value)
    if type_name == "code":  # "no whitespace other than single spaces in the contents"
        return lambda value: (
            matches(value) is not None and not _CONTROL.search(value) and not _OTHER_SPACE.search(value)
        )
    if type_name == "canonical":
        return lambda value: matches(value) is not None and not _CONTROL.search(value) and _is_canonical(value)
    if type_name in ("uri", "url", "oid", "uuid"):
        return lambda value: matches(value) is not None and not _CONTROL.search(value) and _is_urn(value)
    if type_name in ("date", "dateTime", "instant"):
        return lambda value: matches(value) is not None and _day_exists(value)
    return lambda value: matches(value) is not None and not _CONTROL.search(value)


def is_absolute(uri: str) -> bool:
    """Whether a URI begins with a scheme (RFC 3986, section 4.3)."""
    return _SCHEME.match(uri) is not None


def _is_canonical(value: str) -> bool:
    """Whether it is absolute, or leads into the same resource (R4, references.html#canonical)."""
    return value.startswith("#") or (is_absolute(value) and _is_urn(value.partition("|")[0]))


def _is_urn(value: str) -> bool:
    """Whether a UUID or OID that is said to be one is one (R4, datatypes.html#uri; UUIDs in lower case)."""
    if value.startswith("urn:uuid:"):
        return _UUID.fullmatch(value, 9) is not None
    if value.startswith("urn:oid:"):
        return _OID.fullmatch(value, 8) is not None
    return True


def _is_decimal(value: Any) -> bool:
    if isinstance(value, int):
        return True
    try:
        decimal_text(Decimal(value) if not isinstance(value, Decimal) else value)
    except FhirJsonError:
        return False
    return True


def _is_base64(value: str) -> bool:
    # not the standard's expression, which takes exponential time on long malformed text
    packed = "".join(value.split())
    return len(packed) % 4 == 0 and _BASE64.fullmatch(packed) is not None


def _day_exists(value: str) -> bool:
    if len(value) < 10:
        return True
    try:
        date.fromisoformat(value[:10])
    except ValueError:
        return False
    return True
