"""For each constraint of R4 a resource that breaks it and nothing else.

They are looked for: of the elements that the constraint's expression names, all combinations of absent and
present (with the values that the expression mentions) are tried, until one breaks this constraint alone. What
cannot be found so stands in ``BY_HAND``.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from typing import Any

from build import PRIMITIVES, content, one, resource

from adapter.fhir.definitions import (
    ConstraintDefinition,
    choice_name,
    constraints,
    definition,
    primitive_names,
    resource_types,
    type_names,
)
from adapter.validate import validate

_LITERAL = re.compile(r"'((?:[^'\\]|\\.)*)'")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9]*")
_MOST = 3000


def all_constraints() -> Iterator[tuple[str, ConstraintDefinition]]:
    """Every constraint of the table with the path it stands at."""
    known = set(type_names())
    for name in type_names():
        for path in (name, *(f"{name}.{element.name}" for element in definition(name).elements)):
            if path == name or path not in known:
                yield from ((path, constraint) for constraint in constraints(path))


def breaking(path: str, constraint: ConstraintDefinition) -> dict[str, Any] | None:
    """A resource that breaks the constraint alone; None if none is found."""
    for candidate in itertools.islice(_candidates(path, constraint.expression), _MOST):
        if {problem.rule for problem in validate(candidate)} == {constraint.key}:
            return candidate
    return None


def _candidates(path: str, expression: str) -> Iterator[dict[str, Any]]:
    """Resources in which the elements that the expression names are there and not there."""
    literals = _LITERAL.findall(expression)
    words = set(_WORD.findall(_LITERAL.sub("", expression)))
    owner = path if path in type_names() else path.rpartition(".")[0]
    words.add(path.rpartition(".")[2])
    for made in _contents(owner, words, literals, depth=2):
        yield from _hosted(owner, made)


def _contents(type_name: str, words: set[str], literals: list[str], depth: int) -> Iterator[dict[str, Any]]:
    options: list[list[tuple[str, Any]]] = []
    filler = False
    for element in definition(type_name).elements:
        stem = element.name.removesuffix("[x]")
        if stem in ("id", "extension", "modifierExtension"):
            continue
        if stem not in words:
            if not filler and not element.min and definition(type_name).kind != "resource":
                filler = True
                used = element.types[0]
                name = choice_name(element.name, used) if element.is_choice else element.name
                options.append([("", None), (name, ...)])
            continue
        choices: list[tuple[str, Any]] = [] if element.min else [("", None)]
        for used in element.types[:3] if element.is_choice else element.types:
            name = choice_name(element.name, used) if element.is_choice else element.name
            values = _values(used, element, words, literals, depth)
            if element.is_array:
                values = [[value] for value in values] + [[values[0], values[0]]]
            choices += [(name, value) for value in values]
        options.append(choices)
    options.sort(key=len)
    for chosen in itertools.product(*options):
        made = content(type_name, {name: value for name, value in chosen if name})
        if made:
            yield made


def _values(type_name: str, element: Any, words: set[str], literals: list[str], depth: int) -> list[Any]:
    """Values of a type: a sample, the literals of the expression, and for an object what words name in it."""
    if type_name in ("code", "string", "uri", "id", "canonical", "url", "markdown"):
        return list(dict.fromkeys([one(type_name, element), *literals]))[:6]
    if type_name in ("dateTime", "date"):
        return [PRIMITIVES[type_name], "2023-05-01"]
    if type_name == "boolean":
        return [True, False]
    if type_name in ("integer", "decimal"):
        return [1, -1, 101]
    if type_name in primitive_names():
        return [PRIMITIVES[type_name]]
    if type_name in ("Resource", "Reference"):
        return [one(type_name, element)]
    samples = [one(type_name, element)]
    if depth:
        samples += list(itertools.islice(_contents(type_name, words, literals, depth - 1), 16))
    return samples


def _hosted(type_name: str, made: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The content of a type as part of a resource."""
    if type_name in resource_types():
        yield {"resourceType": type_name, **made}
        return
    parent, _, name = type_name.rpartition(".")
    if parent:
        element = definition(parent).element(name)
        assert element is not None
        yield from _hosted(parent, content(parent, {name: [made] if element.is_array else made}))
    elif type_name == "ElementDefinition":
        root = {"id": "Patient", "path": "Patient"}
        element_id = {"id": "Patient.name", **made}
        yield resource("StructureDefinition", {"differential": {"element": [root, element_id]}})
    elif f"value{type_name}" in definition("Extension").properties:
        extension = {"url": "http://example.org/fhir/StructureDefinition/x", f"value{type_name}": made}
        yield resource("Basic", {"extension": [extension]})
