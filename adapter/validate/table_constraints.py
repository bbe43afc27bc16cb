"""Layer invariants: the constraints of the element table that are not written out by hand, by their expression."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import cache

from adapter.fhir.definitions import ConstraintDefinition, constraints, definition
from adapter.problems import Layer, Problem, Severity
from adapter.validate.constraint_words import words
from adapter.validate.fhirpath import Context, Expression, FhirPathError, PathItem, children, compiled, holds
from adapter.validate.walk import ElementNode

#: Kept by other layers: ele-1 by structure; dom-6 asks for a narrative, which is a wish and no rule
_ELSEWHERE = frozenset({"ele-1", "dom-6"})
#: R4 asks for the form of a name that ChargeItemDefinition has not
_IMPOSSIBLE = frozenset({"cid-0"})


@dataclass(frozen=True, slots=True)
class _Rule:
    """A constraint at a type itself (``element`` empty) or at one of its elements."""

    path: str
    element: str
    constraint: ConstraintDefinition
    expression: Expression


@cache
@cache
def has_table_constraints(type_name: str, by_hand: frozenset[str]) -> bool:
    """Whether the table has constraints of a type that are not among those kept by hand."""
    return any(rule.constraint.key not in by_hand for rule in _rules(type_name))


def check_table_constraints(node: ElementNode, by_hand: Collection[str]) -> Iterator[Problem]:
    """Yield what the table's constraints say against one object; keys of ``by_hand`` are left out."""
    for rule in _rules(node.type):
        if rule.constraint.key in by_hand:
            continue
        here = PathItem(node.value, node.type)
        if not rule.element:
            if not _is_kept(rule, here, node):
                yield _problem(rule, node.where)
            continue
        found = list(children(here, rule.element))
        for index, item in enumerate(found):
            if not _is_kept(rule, item, node):
                place = f"{node.where}.{rule.element}"
                is_list = isinstance(node.value.get(rule.element), list)
                yield _problem(rule, f"{place}[{index}]" if is_list else place)


@cache
def _rules(type_name: str) -> tuple[_Rule, ...]:
    """The constraints of a type, of its base, and of its elements."""
    type_ = definition(type_name)
    paths = [(type_.base, ""), (type_name, "")]
    paths += [(f"{type_name}.{element.name}", element.name.removesuffix("[x]")) for element in type_.elements]
    return tuple(
        _Rule(path, element, constraint, compiled(constraint.expression))
        for path, element in dict.fromkeys(paths)
        if path != element and (not element or f"{type_name}.{element}" not in _backbones(type_name))
        for constraint in constraints(path)
        if constraint.key not in _ELSEWHERE | _IMPOSSIBLE
    )


def _backbones(type_name: str) -> frozenset[str]:
    """Elements that are types of their own: their constraints are asked there."""
    return frozenset(t for element in definition(type_name).elements for t in element.types if "." in t)


def context_of(node: ElementNode) -> Context:
    """What an expression sees around a node: its resource, and the container of a contained one."""
    own, root = node.own, node.container
    resource = PathItem(own.value, own.type)
    return Context(resource=resource, root=resource if root is own else PathItem(root.value, root.type))


def _is_kept(rule: _Rule, item: PathItem, node: ElementNode) -> bool:
    context = context_of(node)
    context.context = item
    try:
        return holds(rule.expression, item, context)
    except FhirPathError:
        return True  # several values where one may stand, or of the wrong JSON type: structure has said so


def _problem(rule: _Rule, where: str) -> Problem:
    constraint = rule.constraint
    what, remedy = words(rule.path, constraint.key, constraint.expression)
    severity = Severity.ERROR if constraint.severity == "error" else Severity.WARNING
    section = f"FHIR R4 {rule.path}, {constraint.key}"
    return Problem(severity, Layer.INVARIANTS, constraint.key, what, remedy, where=where, section=section)
