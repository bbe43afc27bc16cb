"""A tree of FHIRPath to closures; operators, and the parts of the language that are no functions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from adapter.validate.fhirpath.functions import FUNCTIONS, LAMBDAS, Environment, distinct, single, text_of, truth
from adapter.validate.fhirpath.items import PathItem, children, compare, equal, is_type, item_of
from adapter.validate.fhirpath.parse import FhirPathError, Tree

Collection = list[PathItem]


@dataclass(slots=True)
class Context(Environment):
    """What an expression can see besides its focus.

    ``resource`` is ``%resource``, ``root`` ``%rootResource`` (the container of a contained resource);
    ``context`` is ``%context``. :class:`Environment` has the hooks of FHIR's own functions.
    """

    resource: PathItem | None = None
    root: PathItem | None = None
    context: PathItem | None = None
    index: int = 0
    total: Collection = field(default_factory=list)


Expression = Callable[[Context, Collection], Collection]
Step = Callable[[Context, Collection, Collection], Collection]  # context, input, focus of the whole expression

_VARIABLES: dict[str, Any] = {
    "ucum": "http://unitsofmeasure.org",
    "sct": "http://snomed.info/sct",
    "loinc": "http://loinc.org",
}
_TRUE, _FALSE = PathItem(True, "boolean"), PathItem(False, "boolean")


def compile_ast(tree: Tree) -> Expression:
    """The closure of a tree; raises FhirPathError for a function, variable or operator that is not known."""
    kind = tree[0]
    if kind == "literal":
        constant = [item_of(tree[1])]
        return lambda context, focus: constant
    if kind == "date":
        moment = [PathItem(tree[1].removeprefix("T"), _date_type(tree[1]))]
        return lambda context, focus: moment
    if kind == "quantity":
        quantity = [PathItem({"value": tree[1], "code": tree[2]}, "Quantity")]
        return lambda context, focus: quantity
    if kind == "empty":
        return lambda context, focus: []
    if kind == "variable":
        return _variable(tree[1])
    if kind == "step":
        left, step = compile_ast(tree[1]), _step(tree[2])
        return lambda context, focus: step(context, left(context, focus), focus)
    if kind == "index":
        return _index(compile_ast(tree[1]), compile_ast(tree[2]))
    if kind == "binary":
        return _binary(tree[1], compile_ast(tree[2]), compile_ast(tree[3]))
    if kind == "type":
        return _typed(tree[1], compile_ast(tree[2]), tree[3])
    if kind == "negative":
        return _negative(compile_ast(tree[1]))
    first = _step(tree, at_start=True)
    return lambda context, focus: first(context, focus, focus)


def _step(tree: Tree, at_start: bool = False) -> Step:
    kind = tree[0]
    if kind == "name":
        return _member(tree[1], at_start)
    if kind == "call":
        return _call(tree[1], tree[2])
    if kind == "$this":
        return lambda context, found, focus: focus
    if kind == "$index":
        return lambda context, found, focus: [PathItem(context.index, "integer")]
    if kind == "$total":
        return lambda context, found, focus: context.total
    raise FhirPathError(f"{kind} cannot stand after a dot")


def _member(name: str, at_start: bool) -> Step:
    def step(context: Context, found: Collection, focus: Collection) -> Collection:
        return [child for item in found for child in children(item, name)]

    def first(context: Context, found: Collection, focus: Collection) -> Collection:
        if len(found) == 1 and is_type(found[0].type, name):
            return found  # Patient.name: the expression begins with the type of what it is evaluated on
        return step(context, found, focus)

    return first if at_start and name[:1].isupper() else step


def _call(name: str, arguments: tuple[Tree, ...]) -> Step:
    if name in ("is", "as", "ofType"):
        return _type_function(name, arguments)
    if name in LAMBDAS:
        run = LAMBDAS[name]
        compiled = tuple(compile_ast(argument) for argument in arguments)
        return lambda context, found, focus: run(context, found, compiled)
    function = FUNCTIONS.get(name)
    if function is None:
        raise FhirPathError(f"the function {name}() is not known")
    values = tuple(compile_ast(argument) for argument in arguments)

    def step(context: Context, found: Collection, focus: Collection) -> Collection:
        try:
            return function(context, found, *[value(context, focus) for value in values])
        except TypeError:
            raise FhirPathError(f"{name}() cannot take what it is given") from None

    return step


def _type_function(name: str, arguments: tuple[Tree, ...]) -> Step:
    if len(arguments) != 1 or arguments[0][0] not in ("name", "step"):
        raise FhirPathError(f"{name}() needs the name of a type")
    wanted = arguments[0][-1] if arguments[0][0] == "name" else arguments[0][2][1]
    if name == "is":
        return lambda context, found, focus: [_of(is_type(single(found).type, wanted))] if found else []
    return lambda context, found, focus: [item for item in found if is_type(item.type, wanted)]


def _variable(name: str) -> Expression:
    if name in _VARIABLES:
        constant = [item_of(_VARIABLES[name])]
        return lambda context, focus: constant
    if name.startswith(("vs-", "ext-")):
        base = "ValueSet" if name.startswith("vs-") else "StructureDefinition"
        url = [item_of(f"http://hl7.org/fhir/{base}/{name.partition('-')[2]}")]
        return lambda context, focus: url
    attribute = {"resource": "resource", "rootResource": "root", "context": "context"}.get(name)
    if attribute is None:
        raise FhirPathError(f"the variable %{name} is not known")

    def variable(context: Context, focus: Collection) -> Collection:
        item = getattr(context, attribute)
        return [item] if item is not None else []

    return variable


def _index(left: Expression, index: Expression) -> Expression:
    def indexed(context: Context, focus: Collection) -> Collection:
        place = single(index(context, focus)).value
        return left(context, focus)[place : place + 1] if isinstance(place, int) and place >= 0 else []

    return indexed


def _typed(operator: str, left: Expression, wanted: str) -> Expression:
    def tested(context: Context, focus: Collection) -> Collection:
        found = left(context, focus)
        # nothing is of no type: R4's own constraints (ras-2) count on false here
        return [_of(bool(found) and is_type(single(found).type, wanted))]

    if operator == "is":
        return tested
    return lambda context, focus: [item for item in left(context, focus) if is_type(item.type, wanted)]


def _negative(inside: Expression) -> Expression:
    def negated(context: Context, focus: Collection) -> Collection:
        found = inside(context, focus)
        return [item_of(-_number(single(found)))] if found else []

    return negated


def _binary(operator: str, left: Expression, right: Expression) -> Expression:
    if operator in _LOGIC:
        decide = _LOGIC[operator]
        return lambda context, focus: decide(left, right, context, focus)
    combine = _OPERATORS[operator]
    return lambda context, focus: combine(left(context, focus), right(context, focus))


def _of(value: bool | None) -> PathItem:
    return _TRUE if value else _FALSE


def _maybe(value: bool | None) -> Collection:
    return [] if value is None else [_of(value)]


Logic = Callable[[Expression, Expression, Context, Collection], Collection]


def _and(left: Expression, right: Expression, context: Context, focus: Collection) -> Collection:
    one = truth(left(context, focus))
    if one is False:
        return [_FALSE]
    two = truth(right(context, focus))
    return [_FALSE] if two is False else _maybe(True if one and two else None)


def _or(left: Expression, right: Expression, context: Context, focus: Collection) -> Collection:
    one = truth(left(context, focus))
    if one:
        return [_TRUE]
    two = truth(right(context, focus))
    return [_TRUE] if two else _maybe(False if one is False and two is False else None)


def _xor(left: Expression, right: Expression, context: Context, focus: Collection) -> Collection:
    one, two = truth(left(context, focus)), truth(right(context, focus))
    return _maybe(None if one is None or two is None else one != two)


def _implies(left: Expression, right: Expression, context: Context, focus: Collection) -> Collection:
    one = truth(left(context, focus))
    if one is False:
        return [_TRUE]
    two = truth(right(context, focus))
    return [_TRUE] if two else _maybe(False if one and two is False else None)


_LOGIC: dict[str, Logic] = {"and": _and, "or": _or, "xor": _xor, "implies": _implies}


def _equals(one: Collection, two: Collection) -> Collection:
    if not one or not two:
        return []
    if len(one) != len(two):
        return [_FALSE]
    parts = [equal(a, b) for a, b in zip(one, two, strict=True)]
    if False in parts:
        return [_FALSE]
    return _maybe(None if None in parts else True)


def _not(found: Collection) -> Collection:
    return [_of(not item.value) for item in found]


def _equivalent(one: Collection, two: Collection) -> Collection:
    def folded(item: PathItem) -> Any:
        return " ".join(item.value.lower().split()) if isinstance(item.value, str) else item.value

    return [_of(len(one) == len(two) and all(folded(a) in [folded(b) for b in two] for a in one))]


def _ordered(test: Callable[[int], bool]) -> Callable[[Collection, Collection], Collection]:
    def combine(one: Collection, two: Collection) -> Collection:
        if not one or not two:
            return []
        order = compare(single(one), single(two))
        return [] if order is None else [_of(test(order))]

    return combine


def _arithmetic(compute: Callable[[Any, Any], Any]) -> Callable[[Collection, Collection], Collection]:
    def combine(one: Collection, two: Collection) -> Collection:
        if not one or not two:
            return []
        first, second = single(one), single(two)
        if isinstance(first.value, str) and isinstance(second.value, str):
            return [item_of(first.value + second.value)]
        try:
            return [item_of(compute(_number(first), _number(second)))]
        except ArithmeticError:
            return []

    return combine


def _number(item: PathItem) -> Any:
    if isinstance(item.value, bool) or not isinstance(item.value, int | Decimal | float):
        raise FhirPathError("a number is needed")
    return item.value


def _contains(one: Collection, two: Collection) -> Collection:
    if not two:
        return []
    wanted = single(two)
    return [_of(any(equal(item, wanted) for item in one))]


_OPERATORS: dict[str, Callable[[Collection, Collection], Collection]] = {
    "=": _equals,
    "!=": lambda one, two: _not(_equals(one, two)),
    "~": _equivalent,
    "!~": lambda one, two: _not(_equivalent(one, two)),
    "<": _ordered(lambda order: order < 0),
    ">": _ordered(lambda order: order > 0),
    "<=": _ordered(lambda order: order <= 0),
    ">=": _ordered(lambda order: order >= 0),
    "|": lambda one, two: distinct([*one, *two]),
    "&": lambda one, two: [item_of(text_of(one) + text_of(two))],
    "+": _arithmetic(lambda a, b: a + b),
    "-": _arithmetic(lambda a, b: a - b),
    "*": _arithmetic(lambda a, b: a * b),
    "/": _arithmetic(lambda a, b: Decimal(a) / Decimal(b)),
    "div": _arithmetic(lambda a, b: int(Decimal(a) / Decimal(b))),
    "mod": _arithmetic(lambda a, b: a % b),
    "in": lambda one, two: _contains(two, one),
    "contains": _contains,
}


def _date_type(text: str) -> str:
    if text.startswith("T"):
        return "time"
    return "dateTime" if "T" in text else "date"
