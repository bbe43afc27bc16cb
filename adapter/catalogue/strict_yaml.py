"""Reading a file of YAML: strict, with the digits kept and the lines remembered.

YAML 1.2 core schema in spirit: only ``true`` and ``false`` are booleans (an answer id ``no`` stays text),
numbers with a point become Decimal, a key given twice is an error.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import yaml

from adapter.catalogue.files import Node
from adapter.problems import Layer, Problem, Severity

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
        loader = _Loader(path.read_text(encoding="utf-8"))
        loader.file_name = name
        try:
            return loader.get_single_data(), []
        finally:
            loader.dispose()
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else None
        return None, [_unreadable(name, f"{error.problem}", line)]
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        return None, [_unreadable(name, str(error).splitlines()[0], None)]


def _unreadable(name: str, what: str, line: int | None) -> Problem:
    return Problem(
        Severity.ERROR,
        Layer.CATALOGUE,
        "unreadable",
        f"cannot be read as YAML: {what}",
        "one YAML document, UTF-8, each key once",
        file=name,
        line=line,
    )
