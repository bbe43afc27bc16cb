"""Reading ``mappings/`` and a site's folder: strict YAML that keeps digits and remembers lines.

YAML 1.2 core schema in spirit: only ``true`` and ``false`` are booleans (an answer id ``no`` stays text),
numbers with a point become Decimal, a key given twice is an error.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from importlib.resources import files
from pathlib import Path
from typing import Any

import yaml

from adapter.problems import Layer, Problem, Severity

READERS = ((__name__, Path(__file__)),)
"""The code on which depends what a file of YAML is read as."""
_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class Node(dict[str, Any]):
    """A YAML mapping that remembers where it began, and the line of each key that its file gives."""

    file: str = ""
    line: int = 0

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.lines: dict[str, int] = {}


def entries(content: Any) -> list[dict[str, Any]]:
    """The mappings of a list; what is no list or no mapping is for the types to refuse."""
    return [entry for entry in content if isinstance(entry, dict)] if isinstance(content, list) else []


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


def mappings() -> Any:
    """The folder of the shipped catalogue: inside the wheel, or beside the package in a checkout."""
    shipped = files("adapter") / "_mappings"
    return shipped if shipped.is_dir() else Path(str(files("adapter"))).parent / "mappings"


def yaml_files(folder: Any) -> Iterator[tuple[str, Any]]:
    """Every YAML file of a catalogue folder, as (name relative to the folder, path), in name order."""
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.is_dir():
            yield from ((f"{entry.name}/{name}", path) for name, path in yaml_files(entry))
        elif entry.name.endswith((".yaml", ".yml")):
            yield entry.name, entry
