"""A part of the catalogue as the types have it: what does not fit is a problem at its line, and says what would."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import ValidationError

from adapter.catalogue.code import Frozen
from adapter.catalogue.files import Node
from adapter.problems import Layer, Problem, Severity

T = TypeVar("T", bound=Frozen)


def typed(kind: type[T], raw: Any, file: str, problems: list[Problem]) -> T | None:
    """What a file says as a typed object; None, and the problems, where it is none."""
    try:
        return kind.model_validate(raw)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            problems.append(_explained(detail, raw, file))
        return None


_SHAPES = {
    "canonical": "https://.., without a slash at its end",
    "code": "a code without space around it",
    "contact": "a web or mail address",
    "country": "ISO 3166",
    "id": "small letters, digits, _ and -",
    "date": "a day, such as 2026-11-25",
    "jurisdiction": "ISO 3166, such as DE or US-CA",
    "language": "BCP 47, such as de or pt-BR",
    "own_system": "L, or 99 and capital letters",
    "package": "small letters with a point, such as our-hospital.newborn",
    "url": "an absolute URI: https://..",
    "version": "numbers with a point, such as 2026.11",
}
"""What a text of a certain shape looks like, by the name of its field."""


_TEXT, _MAPPING = (
    ("is no text", "{name}: text, in quotes where it looks like a number"),
    ("is no mapping", "{{{name}: ..}}"),
)
_LIST, _NUMBER = ("is no list", "{name}: [..]"), ("is no whole number", "{name}: 1, or another whole number")
_KINDS = {
    **dict.fromkeys(("dict_type", "mapping_type", "model_type", "model_attributes_type"), _MAPPING),
    **dict.fromkeys(("tuple_type", "list_type", "set_type", "frozen_set_type"), _LIST),
    **dict.fromkeys(("int_type", "int_parsing", "int_from_float"), _NUMBER),
    "string_type": _TEXT,
    **dict.fromkeys(
        ("decimal_type", "decimal_parsing", "finite_number"), ("is no number", "{name}: 1.5, or another number")
    ),
    **dict.fromkeys(("bool_type", "bool_parsing"), ("is neither true nor false", "{name}: true, or false")),
}
"""What is not of the wanted kind, and what would be, by pydantic's name of the error."""


def _said(detail: Any) -> tuple[str, str]:
    """What is wrong by one pydantic error, and what would be right."""
    kind, what = detail["type"], detail["msg"].removeprefix("Value error, ")
    name = str(next((step for step in reversed(detail["loc"]) if isinstance(step, str)), ""))
    if kind == "extra_forbidden":
        return f"there is no '{name}' here", "remove it, or spell it as in mappings/"
    if kind in ("literal_error", "enum"):
        return f"'{detail['input']}' cannot be chosen here", f"one of {detail['ctx']['expected']}"
    if kind == "missing":
        return f"Field required: {name}", f"{name}: .."
    if kind == "string_pattern_mismatch":
        shape = _SHAPES.get(
            name, "small letters, digits, _ and -" if name == "id" else f"as {detail['ctx']['pattern']}"
        )
        return f"'{detail['input']}' is not written as {name} is", shape
    if kind in _KINDS:
        is_none, right = _KINDS[kind]
        return f"{name or 'this'} {is_none}", right.format(name=name or "id")
    return what, "" if kind == "value_error" else f"what mappings/ has as {name}"


def _explained(detail: Any, raw: Any, file: str) -> Problem:
    """One pydantic error as a problem, placed at the nearest entry that has an id and a line."""
    item, node, place = "", raw, []
    line = getattr(raw, "line", None)
    for step in detail["loc"]:
        place.append(str(step))
        try:
            line, node = getattr(node, "lines", {}).get(step, line), node[step]
        except (KeyError, IndexError, TypeError):
            continue
        if isinstance(node, Node):
            raw, line = node, node.line or line
            item = item or str(node.get("id", ""))
    what, remedy = _said(detail)
    return Problem(
        Severity.ERROR,
        Layer.CATALOGUE,
        "unknown-field" if detail["type"] == "extra_forbidden" else "wrong-field",
        what,
        remedy,
        where=".".join(place),
        file=getattr(raw, "file", "") or file,
        line=line or None,
        item=item,
    )
