"""pydantic's errors in our own words: what is wrong, and what would be right."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import UnionType
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.exam import At, Quantities, Quantity, Score
from adapter.problems import Problem
from adapter.read.places import Place, PlaceOf, pointer
from adapter.read.raw import Unreadable
from adapter.read.wording import listed, near, one_of, shown, takes, units_of

_VOCABULARIES = {
    "kind": ("kind", "kinds"),
    "role": ("role", "roles"),
    "method": ("method", "methods"),
    "site": ("site", "sites"),
    "state": ("state", "states"),
    "not_examined": ("reason", "reasons"),
}
_PRIVATE_FIELDS = {"name", "value", "note", "text", "reason", "place"}

_BY_TYPE: dict[ItemType, type[BaseModel]] = {
    ItemType.QUANTITY: Quantity,
    ItemType.QUANTITIES: Quantities,
    ItemType.SCORE: Score,
    ItemType.TIME: At,
}


def value_class(value: Mapping[str, Any], item: Item | None) -> type[BaseModel]:
    """Which class an object given as a value is meant to be: by its own keys, else by the item."""
    if "components" in value:
        return Quantities
    if "total" in value or "signs" in value:
        return Score
    if "time" in value:
        return At
    if "value" in value or "unit" in value or item is None:
        return Quantity
    return _BY_TYPE.get(item.type, Quantity)


def takes_class(item: Item, model: type[BaseModel]) -> bool:
    """Whether an item's value is an object of this class."""
    return _BY_TYPE.get(item.type) is model


def explain(
    error: ValidationError,
    data: Any,
    model: type[BaseModel],
    place: PlaceOf,
    item: Item | None = None,
    catalogue: Catalogue | None = None,
) -> Iterator[Problem]:
    """One problem for each thing wrong with ``data`` as a ``model``.

    ``place`` takes JSON pointers relative to ``data``. What was unreadable is skipped: it is told already.
    """
    name = item.id if item else ""
    for detail in error.errors(include_url=False):
        steps = _steps(detail["loc"], data)
        if steps is None or _echo(detail, steps):
            continue
        told = FieldWords(detail, steps, model, item, catalogue)
        yield told.problem(place(pointer(*steps)), name)


def _echo(detail: ErrorDetails, steps: list[int | str]) -> bool:
    """Whether an error only follows from another: a list empty because its entry failed, an answer id that is
    not one of the objects a value may be as well, an item that is no id (it is told as unknown)."""
    if steps == ["item"] and detail["type"] in ("string_pattern_mismatch", "string_unicode"):
        return True
    if detail["type"] == "too_short":
        return bool(detail["input"])
    of_union = steps == ["value"] and len(detail["loc"]) > 1
    return of_union and detail["type"] == "model_type" and isinstance(detail["input"], str)


def _holds(node: Any, step: int | str) -> bool:
    if isinstance(node, list):
        return isinstance(step, int) and step < len(node)
    return isinstance(node, dict) and step in node


def _steps(loc: tuple[int | str, ...], data: Any) -> list[int | str] | None:
    """The steps that lead into the data (a union adds steps of its own), or None where it was unreadable."""
    steps: list[int | str] = []
    node = data
    for step in loc:
        if _holds(node, step):
            node = node[step]
        elif isinstance(node, dict) and isinstance(step, str) and step.isidentifier():
            return [*steps, step]
        else:
            break
        steps.append(step)
        if isinstance(node, Unreadable):
            return None
    return steps


class FieldWords:
    """The words for one pydantic error."""

    def __init__(
        self,
        detail: ErrorDetails,
        steps: list[int | str],
        model: type[BaseModel],
        item: Item | None,
        catalogue: Catalogue | None,
    ) -> None:
        self.detail, self.kind = detail, detail["type"]
        self.model, self.item, self.catalogue = model, item, catalogue
        self.steps = steps
        self.field = next((str(s) for s in reversed(steps) if isinstance(s, str)), "")

    def problem(self, place: Place, item: str) -> Problem:
        """The error as a problem at its place."""
        rule, what, remedy = self._said()
        return place.error(rule, what, remedy, item)

    def _said(self) -> tuple[str, str, str]:
        field, allowed = self.field, self.detail.get("ctx", {})
        match self.kind:
            case "missing":
                return self._missing()
            case "extra_forbidden":
                fields = list(_fields(self.model, self.steps[:-1]))
                close = near(field, fields)
                remedy = f"did you mean {' or '.join(close)}?" if close else f"only {listed(fields, 20)}"
                return "unknown-field", f"there is no field {shown(field)} here", remedy
            case "enum":
                words = [w.strip(" '") for w in str(allowed.get("expected", "")).replace(" or ", ",").split(",")]
                return "unknown-word", f"{field} has no {self._input()}", one_of(self.detail["input"], words)
            case "value_error":
                return self._ours(str(allowed.get("error", self.detail["msg"])))
            case "string_pattern_mismatch":
                return self._pattern()
            case "string_too_long":
                return "too-long", f"{field} is too long", f"at most {allowed.get('max_length')} characters"
            case "string_too_short" | "too_short":
                return "empty", f"{field} is empty", "at least one" if self.kind == "too_short" else "some text"
            case "greater_than" | "greater_than_equal" | "less_than" | "less_than_equal":
                return self._bounds()
            case "string_type" | "string_unicode":
                return "wrong-type", f"{field} is not text", "text in quotes"
        if self.kind.startswith(("int", "decimal")):
            return "not-a-number", f"{field} is not {self._number()}", self._number() + ", such as 39"
        if self.kind.startswith("bool"):
            return "wrong-type", f"{self.field} is neither true nor false", "true, false, or leave it out"
        if self.kind.startswith(("datetime", "timezone")):
            return self._time()
        if self.kind in ("model_type", "dict_type", "tuple_type", "model_attributes_type"):
            wanted = "a list" if self.kind == "tuple_type" else "an object"
            return "wrong-type", f"{field or 'this part of the record'} is not {wanted}", wanted
        return "wrong-value", f"{field} is not understood", "see the schema of the capture record"

    def _number(self) -> str:
        return "a whole number" if self.kind.startswith("int") else "a plain decimal number"

    def _input(self) -> str:
        value = self.detail["input"]
        return shown(value) if isinstance(value, str) else "such value"

    def _missing(self) -> tuple[str, str, str]:
        if self.field == "unit":
            allowed = units_of(self.item, self.catalogue.units) if self.item and self.catalogue else []
            remedy = f"one of {listed(allowed)}" if allowed else "the unit as written, such as g"
            return "unit-missing", "a number without its unit", remedy
        if self.item is not None and self.catalogue is not None and self.model is not Score:
            return "missing-field", f"{self.field} is missing", takes(self.item, self.catalogue.units)
        return "missing-field", f"{self.field} is missing", f"add {self.field}"

    def _pattern(self) -> tuple[str, str, str]:
        if self.field in ("id", "amends", "first", "reassigned_from"):
            return (
                "unusable-id",
                f"{self.field} cannot be part of an identifier",
                "up to 64 letters, digits, points, hyphens, underscores, beginning with a letter or digit",
            )
        if self.field == "system":
            return "unusable-system", "an identifier system holds a space", "a URI or a short name without spaces"
        if self.item is not None and self.field == "value" and self.catalogue is not None:
            words = [a.id for a in self.item.offered]
            wrong = "unknown-answer" if words else "wrong-kind-of-value"
            remedy = one_of(self.detail["input"], words) if words else takes(self.item, self.catalogue.units)
            what = (
                f"{self.item.id} has no answer {self._input()}"
                if words
                else f"{self.item.id} does not take an answer"
            )
            return wrong, what, remedy
        if self.catalogue is not None and self.field in _VOCABULARIES:
            kind, known = _VOCABULARIES[self.field]
            right = one_of(self.detail["input"], getattr(self.catalogue, known), most=20)
            return f"unknown-{kind}", f"no {kind} {self._input()} is known", right
        if self.field in _PRIVATE_FIELDS and self.field != "value":
            return "several-lines", f"{self.field} is more than one line", "one line of text"
        said = "" if self.field in _PRIVATE_FIELDS else f" {self._input()}"
        return (
            "unusable-id",
            f"{self.field}{said} is not an id of the catalogue",
            "lower case letters, digits, underscores and hyphens, as the catalogue writes it",
        )

    def _bounds(self) -> tuple[str, str, str]:
        words = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
        bounds = self.detail.get("ctx", {})
        said = ", ".join(f"{words[k]} {v}" for k, v in bounds.items() if k in words)
        return "out-of-bounds", f"{self.field} of {self._value()} cannot be", said

    def _value(self) -> str:
        return shown(self.detail["input"])

    def _time(self) -> tuple[str, str, str]:
        return (
            "not-a-time",
            f"{self.field} is not a moment with its offset from UTC",
            "ISO 8601 with offset, such as 2026-03-01T08:30:00+01:00",
        )

    def _ours(self, message: str) -> tuple[str, str, str]:
        """A rule of the domain's own models; its message may say what would be right after a semicolon."""
        if message.startswith("must be an ISO 8601 time"):
            return self._time()
        what, _, remedy = message.partition("; ")
        if message.startswith("needs exactly one of"):
            given = self.detail["input"] if isinstance(self.detail["input"], dict) else {}
            both = sum(given.get(k) is not None for k in ("value", "not_examined", "text")) > 1
            rule = "value-and-not-examined" if both else "no-answer"
            return rule, f"the finding {message}", "one of value, not_examined (the reason) or text"
        if message.startswith(("must be a number", "must be a plain decimal number")):
            said = f" {self._value()}" if isinstance(self.detail["input"], str) else ""
            return (
                "not-a-number",
                f"{self.field}{said} is not a number as measured",
                _number_remedy(self.detail["input"]),
            )
        for words, rule, right in _DOMAIN:
            if words in message:
                return rule, what, remedy or right
        return "wrong-value", f"{self.field} {what}".strip(), remedy or "see the schema of the capture record"


_DOMAIN = (
    ("ended before", "ended-before-started", "an end after the start"),
    ("recorded before", "recorded-before-done", "recorded: when this version was written, or left out"),
    ("needs both amends", "amendment-incomplete", "amends: the id of the version that it corrects; reason: why"),
    ("reassigned_from names", "reassigned-incomplete", "reassigned_from: the exam on the wrong newborn; reason: why"),
    ("belong to status", "amendment-unsaid", "status amended or entered-in-error, or leave both out"),
    ("order counts", "birth-order", "the order within the number born"),
    ("person needs", "examiner-unknown", "the person's name, identifier, or both"),
    ("name of a person need", "examiner-unknown", "the identifier; without one, the whole name as name"),
    ("a score needs", "empty-score", "total, signs, or both"),
    ("control character", "control-character", "remove the control character"),
    ("must not be empty", "empty", "text without spaces at either end, or leave the field out"),
)


def _number_remedy(value: object) -> str:
    if isinstance(value, str) and value.count(",") == 1 and "." not in value:
        return f"a decimal point instead of the comma: {value.strip().replace(',', '.')}"[:60]
    return "digits with a decimal point, such as 3.10; no spaces, no exponent, no unit inside"


def _fields(model: Any, steps: list[int | str]) -> Iterator[str]:
    """The names of the fields that the model at the end of the steps has."""
    for step in steps:
        if isinstance(step, int):
            continue
        fields = getattr(model, "model_fields", {})
        known = next((f for name, f in fields.items() if step in (name, f.alias)), None)
        if known is None:
            return
        model = _model_of(known.annotation)
    for name, field in getattr(model, "model_fields", {}).items():
        yield field.alias or name


def _model_of(annotation: Any) -> Any:
    """The model inside an annotation such as ``tuple[Examiner, ...]`` or ``Mother | None``."""
    if get_origin(annotation) in (tuple, Union, UnionType):
        found = [_model_of(a) for a in get_args(annotation)]
        return next((m for m in found if hasattr(m, "model_fields")), None)
    return annotation
