"""Reading a file of YAML: strict, with the digits kept and the lines remembered.

YAML 1.2 core schema in spirit: only ``true`` and ``false`` are booleans (an answer id ``no`` stays text),
numbers with a point become Decimal, a key given twice is an error.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import yaml

from adapter.catalogue.files import Node, UnreadableFile, text_of
from adapter.problems import Layer, Problem, Severity

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")
"""What YAML 1.2.2 has no place for (section 5.1), but surrogates, which UTF-8 has no form of."""
_ONE = "one YAML document, UTF-8, each key once"
_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Loader(_Base):  # type: ignore[misc]
    yaml_implicit_resolvers: dict[str, list[Any]] = {}


def _mapping(loader: Any, node: Any) -> Node:
    found = Node()
    found.file, found.line = loader.file_name, node.start_mark.line + 1
    for key_node, value_node in node.value:
        key = loader.construct_object(key_node)
        if not isinstance(key, str):
            key = str(key)
        if key in found:
            raise yaml.constructor.ConstructorError(None, None, f"key '{key}' is given twice", key_node.start_mark)
        found[key] = loader.construct_object(value_node, deep=True)
        found.lines[key] = key_node.start_mark.line + 1
    return found


_Loader.add_constructor("tag:yaml.org,2002:map", _mapping)
_Loader.add_constructor("tag:yaml.org,2002:float", lambda loader, node: Decimal(node.value))
_Loader.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile(r"^(?:true|false)$"), list("tf"))
_Loader.add_implicit_resolver("tag:yaml.org,2002:null", re.compile(r"^(?:null|~|)$"), ["n", "~", ""])
_Loader.add_implicit_resolver("tag:yaml.org,2002:int", re.compile(r"^-?(?:0|[1-9]\d*)$"), list("-0123456789"))
_Loader.add_implicit_resolver("tag:yaml.org,2002:float", re.compile(r"^-?\d+\.\d+$"), list("-0123456789"))


def read_yaml(path: Any, name: str) -> tuple[Any, list[Problem]]:
    """The content of one YAML file, or None and the problem that says where it cannot be read."""
    try:
        text = text_of(path)
    except UnreadableFile as error:
        return None, [_unreadable(name, str(error), error.line, error.remedy)]
    if found := _CONTROL.search(text):
        what = f"has the control character U+{ord(found[0]):04X}"
        return None, [_unreadable(name, what, text.count("\n", 0, found.start()) + 1, "the same without it")]
    try:
        loader = _Loader(text)
        loader.file_name = name
        try:
            return loader.get_single_data(), []
        finally:
            loader.dispose()
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else None
        return None, [_unreadable(name, f"cannot be read as YAML: {error.problem}", line)]
    except yaml.YAMLError as error:
        return None, [_unreadable(name, f"cannot be read as YAML: {str(error).splitlines()[0]}", None)]


def lines_of_entries(path: Any) -> list[int]:
    """On which line each entry of a list begins, of a file that could be read."""
    written: Any = yaml.compose(text_of(path), _Loader)
    return [entry.start_mark.line + 1 for entry in written.value]


def _unreadable(name: str, what: str, line: int | None, remedy: str = _ONE) -> Problem:
    return Problem(Severity.ERROR, Layer.CATALOGUE, "unreadable", what, remedy, file=name, line=line)
