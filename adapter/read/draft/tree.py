"""A drafted plan as a tree, and the tree as YAML with comments: what is not certain is marked."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from adapter.read.plan.undecided import MARK

_PLAIN = re.compile(r"[A-Za-z_/°][\w./%°+-]*( [\w.+/%°-]+)*")
_WORDS = ("true", "false", "null", "yes", "no", "on", "off", "y", "n")
_WIDTH = 100


@dataclass(frozen=True, slots=True)
class Open:
    """A value that a person decides, with a proposal where there is one; ``why`` says what is to be decided."""

    proposal: str = ""
    why: str = ""

    def __str__(self) -> str:
        return f"{MARK} {self.proposal}" if self.proposal else MARK


@dataclass(frozen=True, slots=True)
class Said:
    """A value that is certain, and what it rests on."""

    value: Any
    why: str


def written(tree: dict[str, Any]) -> str:
    """The tree as YAML: a comment after a value says what it rests on or what is to be decided."""
    return "\n".join(_mapping(tree, "")) + "\n"


def certain(tree: Any) -> Any:
    """The tree as plain data, with the proposals as if they were decided, and without what has none."""
    if isinstance(tree, Open):
        return tree.proposal or None
    if isinstance(tree, Said):
        return certain(tree.value)
    if isinstance(tree, dict):
        return {key: value for key, entry in tree.items() if (value := certain(entry)) is not None}
    return [certain(entry) for entry in tree] if isinstance(tree, list) else tree


def _mapping(tree: dict[str, Any], indent: str) -> Iterator[str]:
    said = ""
    for key, value in tree.items():
        yield from _entry(f"{indent}{_scalar(key)}:", value, indent, said)
        said = getattr(value, "why", "")


def _entry(head: str, value: Any, indent: str, said: str = "") -> Iterator[str]:
    """``head`` is all that stands before the value on its line; what was ``said`` above is not said again."""
    why = "" if getattr(value, "why", "") == said else getattr(value, "why", "")
    content = value.value if isinstance(value, Said) else value
    flow = _flow(content)
    if flow is not None:
        line = f"{head} {flow}"
        if why and len(line) + len(why) > _WIDTH:
            yield from (f"{indent}# {part}" for part in wrap(why, _WIDTH))
            why = ""
        yield f"{line}  # {why}" if why else line
        return
    yield f"{head}  # {why}" if why else head
    if isinstance(content, dict):
        yield from _mapping(content, f"{indent}  ")
    else:
        above = ""
        for entry in content:
            yield from _in_list(entry, indent, above)
            above = getattr(entry, "why", "")


def _in_list(entry: Any, indent: str, said: str) -> Iterator[str]:
    if not isinstance(entry, dict) or _flow(entry) is not None:
        yield from _entry(f"{indent}-", entry, indent, said)
        return
    lines = list(_mapping(entry, f"{indent}  "))
    first = next(n for n, line in enumerate(lines) if not line.lstrip().startswith("#"))
    lines[first] = f"{indent}- {lines[first][len(indent) + 2 :]}"
    yield from lines


def _flow(value: Any) -> str | None:
    """In one line, or None where it needs several: it is long, or something in it has a comment."""
    if isinstance(value, Open):
        return _scalar(str(value))
    if isinstance(value, Said):
        return None
    if isinstance(value, dict):
        parts = [(_scalar(key), _flow(entry)) for key, entry in value.items()]
        if any(isinstance(entry, Open) for entry in value.values()) or any(flow is None for _, flow in parts):
            return None
        text = f"{{{', '.join(f'{key}: {flow}' for key, flow in parts)}}}"
        return text if len(text) <= _WIDTH else None
    if isinstance(value, list):
        flows = [_flow(entry) for entry in value]
        if any(isinstance(entry, (Open, dict)) for entry in value) or any(flow is None for flow in flows):
            return None
        text = f"[{', '.join(str(flow) for flow in flows)}]"
        return text if len(text) <= _WIDTH else None
    return _scalar(value)


def _scalar(value: Any) -> str:
    """As YAML takes it whatever it holds: plain where that is safe, else in quotes."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    text = str(value)
    plain = _PLAIN.fullmatch(text) and text.casefold() not in _WORDS
    if plain:
        return text
    single = "\\" in text and "'" not in text and text.isprintable()  # a pattern is read more easily so
    return f"'{text}'" if single else json.dumps(text, ensure_ascii=False)
