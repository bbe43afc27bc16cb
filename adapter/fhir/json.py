"""FHIR JSON as bytes and back, digits kept (FHIR R4, JSON Representation of Resources, json.html).

A resource is a plain dict in the shape of FHIR JSON. A number with a fraction or an exponent is a
:class:`decimal.Decimal` with the digits as written (``3.10`` stays ``3.10``), a number without is an int.
"""

from __future__ import annotations

import json
import re
from decimal import Decimal, InvalidOperation
from typing import Any, NoReturn

import orjson

from adapter.problems import AdapterError

Json = dict[str, Any]
"""A JSON object: of FHIR, or of what is made of it."""

#: A decimal is written out in full, so its exponent must stay within reason (R4 asks for 18 digits)
MAX_DIGITS = 400
_PLAIN_DECIMAL = re.compile(r"-?[0-9]{1,40}(\.[0-9]{1,40})?")


class FhirJsonError(AdapterError, ValueError):
    """Bytes that are not the JSON of FHIR, or a value that cannot be written as such.

    ``line`` is the line of the fault where it is known; ``key`` the property written twice.
    """

    def __init__(self, message: str, *, line: int | None = None, key: str = "") -> None:
        super().__init__(message)
        self.line = line
        self.key = key


def loads(data: bytes | str) -> Any:
    """Read JSON; a leading byte order mark is let pass.

    Raises FhirJsonError for anything that is not UTF-8 JSON, for NaN and Infinity, for a property written
    twice in one object (its value would be a guess), and for text that Unicode cannot encode.
    """
    text = _decode(data) if isinstance(data, bytes | bytearray | memoryview) else data.removeprefix("\ufeff")
    try:
        value = json.loads(text, parse_float=_decimal, parse_constant=_refuse_constant, object_pairs_hook=_unique)
    except json.JSONDecodeError as error:
        raise FhirJsonError(f"not JSON: {error.msg}, column {error.colno}", line=error.lineno) from None
    except RecursionError:
        raise FhirJsonError("nested too deeply to be a FHIR resource") from None
    except FhirJsonError:
        raise
    except ValueError:  # an integer of more digits than Python converts
        raise FhirJsonError("a number has more digits than any FHIR number may have") from None
    if "\\ud" in text or "\\uD" in text:
        _refuse_surrogates(value)
    return value


def dumps(resource: Any, *, pretty: bool = False) -> bytes:
    """Write a resource as UTF-8 JSON, keys in the order given, decimals with their digits.

    ``pretty`` indents by two spaces. Raises FhirJsonError for what JSON cannot hold.
    """
    options = orjson.OPT_INDENT_2 if pretty else 0
    try:
        return orjson.dumps(resource, default=_write_other, option=options)
    except orjson.JSONEncodeError as error:
        cause = error.__cause__
        raise FhirJsonError(str(cause if isinstance(cause, FhirJsonError) else error)) from None


def sealed(value: Any) -> Any:
    """A part of a resource, written once: it stands in a resource like the part itself, for :func:`dumps` alone."""
    return orjson.Fragment(dumps(value))


def decimal_text(value: Decimal) -> str:
    """The digits of a decimal without an exponent, trailing zeros kept.

    Raises FhirJsonError for NaN, Infinity, and numbers beyond ``MAX_DIGITS`` digits.
    """
    text = str(value)
    if _PLAIN_DECIMAL.fullmatch(text):
        return text
    if not value.is_finite():
        raise FhirJsonError(f"{value} is not a number that FHIR can hold")
    _, digits, exponent = value.as_tuple()
    if isinstance(exponent, int) and len(digits) + abs(exponent) > MAX_DIGITS:
        raise FhirJsonError(f"a decimal of more than {MAX_DIGITS} digits")
    return format(value, "f")


def _decode(data: bytes | bytearray | memoryview) -> str:
    try:
        return bytes(data).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = bytes(data).count(b"\n", 0, error.start) + 1
        raise FhirJsonError("not UTF-8, which FHIR JSON must be", line=line) from None


def _decimal(text: str) -> Decimal:
    try:
        value = Decimal(text)
    except InvalidOperation:  # an exponent beyond those that Decimal has
        raise FhirJsonError(f"a decimal of more than {MAX_DIGITS} digits") from None
    decimal_text(value)
    return value


class Written:
    """A part of a resource that writes itself. No ABC: many are asked for their class, and those answer slowly."""

    __slots__ = ()

    def written(self) -> bytes:
        """The part as JSON."""
        raise NotImplementedError


def _write_other(value: object) -> orjson.Fragment:
    if isinstance(value, Decimal):
        return orjson.Fragment(decimal_text(value))
    if isinstance(value, Written):
        return orjson.Fragment(value.written())
    raise FhirJsonError(f"{type(value).__name__} has no form in FHIR JSON")


def _refuse_constant(name: str) -> NoReturn:
    raise FhirJsonError(f"{name} is not JSON")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise FhirJsonError(f"property {key!r} is written twice in one object", key=key)
            seen.add(key)
    return made


def _refuse_surrogates(value: Any) -> None:
    try:
        json.dumps(value, ensure_ascii=False, default=str).encode()
    except UnicodeEncodeError:
        raise FhirJsonError("text holds half of a surrogate pair, which is no character") from None
