"""Layer structure: a resource against the R4 element table.

Unknown elements, JSON types, cardinality, choices, empty and null content, primitive values, required
bindings. Sources: FHIR R4 JSON Representation (json.html), Data Types (datatypes.html), Terminologies
(terminologies.html#required), and the definitions of the resources.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches as close_matches
from functools import cache
from itertools import zip_longest
from typing import Any

from adapter.fhir.definitions import (
    ElementDefinition,
    Property,
    TypeDefinition,
    definition,
    resource_types,
    value_set,
)
from adapter.problems import Layer, Problem, Severity
from adapter.validate.values import has_space, is_json_type, is_legal, quick_test, right_form
from adapter.validate.walk import ElementNode, Shape

_JSON = "FHIR R4 JSON Representation (json.html)"
_TYPES = "FHIR R4 Data Types (datatypes.html)"
#: So many unknown elements of one object are told one by one, the rest in one line
_MOST_UNKNOWN = 100
#: Comparing names is slow; a resource with more faults than this is no resource with a slip of the pen
_MOST_SUGGESTED = 200
_BINDING = "FHIR R4 Terminologies (terminologies.html#required)"


def check_structure(resource: Mapping[str, Any], nodes: Iterable[ElementNode]) -> list[Problem]:
    """Everything that the element table says against a resource; ``nodes`` are the objects inside it."""
    checker = _Checker()
    name = resource.get("resourceType")
    checker.resource(resource, lambda: name if isinstance(name, str) and name else "Resource")
    for node in nodes:
        checker.content(node)
    return checker.problems


class _Plan:
    """What is asked of the objects of one type, made so that right content is passed quickly.

    ``fast`` says of each JSON property whether its value is beyond doubt right; what it says no to is looked at
    closely. ``required`` are the elements that must be there, each with the keys it may have; ``choices`` the
    keys of elements that allow several types, each with its element.
    """

    def __init__(self, type_: TypeDefinition) -> None:
        self.type = type_
        self.fast = {name: _fast(item) for name, item in type_.properties.items()}
        names: dict[str, list[str]] = {}
        for name, item in type_.properties.items():
            names.setdefault(item.element.name, []).append(name)
            if item.has_sibling:
                names[item.element.name].append(f"_{name}")
        self.required = [(element, tuple(names[element.name])) for element in type_.elements if element.min]
        choices = {name: item.element.name for name, item in type_.properties.items() if item.element.is_choice}
        self.choices = choices | {f"_{name}": element for name, element in choices.items()}


def _tests(shape: Shape) -> tuple[Callable[[Any], bool], ...]:
    """The tests of the values of an object, in order, where nothing else is left to ask: its names are known, what
    must be there is, no choice is made twice. Empty where that is not so."""
    plan = _plan(shape.type)
    fast = plan.fast | ({"resourceType": lambda value: True} if plan.type.kind == "resource" else {})
    tests = tuple(fast[name] for name in shape.names if name in fast)
    chosen = [plan.choices[name] for name in shape.names if name in plan.choices]
    there = all(any(key in shape.names for key in keys) for _, keys in plan.required)
    right = len(tests) == len(shape.names) and there and len(chosen) == len(set(chosen))
    return tests if right and shape.names != ("id",) else ()


@cache
def _plan(type_name: str) -> _Plan:
    return _Plan(definition(type_name))


def _fast(item: Property) -> Callable[[Any], bool]:
    """A test of one property that is true only if its value is right."""
    test = _fast_one(item)
    if not item.is_array:
        return test
    most = item.element.max or sys.maxsize
    return lambda values: type(values) is list and 0 < len(values) <= most and all(map(test, values))


def _fast_one(item: Property) -> Callable[[Any], bool]:
    if item.type == "Resource":
        return lambda value: type(value) is dict and _is_resource_type(value.get("resourceType"))
    if not item.is_primitive:
        return lambda value: type(value) is dict
    codes = value_set(item.element.binding)
    if codes is None:
        return quick_test(item.type)
    listed = codes.codes
    return lambda value: type(value) is str and value in listed


class _Checker:
    """Collects problems while it goes through the objects of a resource."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def report(
        self, rule: str, where: str, what: str, remedy: str, section: str, severity: Severity = Severity.ERROR
    ) -> None:
        self.problems.append(Problem(severity, Layer.STRUCTURE, rule, what, remedy, where=where, section=section))

    def near(self, given: Any, names: Iterable[str]) -> list[str]:
        """The name that was probably meant; not asked for when there are hundreds of problems already."""
        return close_matches(str(given)[:64], names, 1) if len(self.problems) < _MOST_SUGGESTED else []

    def resource(self, value: Any, where: Callable[[], str]) -> None:
        if not isinstance(value, Mapping):
            self.report("wrong-json-type", where(), "a resource must be a JSON object", "an object", _JSON)
            return
        name = value.get("resourceType")
        if not isinstance(name, str) or name not in resource_types():
            near = self.near(name, resource_types())
            remedy = f"resourceType {near[0]!r}?" if near else "resourceType with the name of an R4 resource"
            self.report("unknown-resource-type", where(), "resourceType names no R4 resource", remedy, _JSON)

    def content(self, node: ElementNode) -> None:
        """One object: its properties, then what is missing."""
        shape, value = node.shape, node.value
        if shape.tests is None:
            shape.tests = _tests(shape)
        if shape.tests:
            for test, entry in zip(shape.tests, value.values(), strict=True):
                if not test(entry):
                    break
            else:
                return
        self.wholly(node, _plan(node.type))

    def wholly(self, node: ElementNode, plan: _Plan) -> None:
        """One object that did not pass at once."""
        value = node.value
        if not value:
            self.report("empty", node.where, "an object must have content", "leave the element out", _JSON)
            return
        fast, unknown = plan.fast, 0
        for key, entry in value.items():
            test = fast.get(key)
            if test is None or not test(entry):
                unknown += key.removeprefix("_") not in plan.type.properties and key != "resourceType"
                if unknown <= _MOST_UNKNOWN:
                    self.closely(node, plan.type, key, entry)
        if unknown > _MOST_UNKNOWN:
            what = f"{unknown - _MOST_UNKNOWN:,} more elements that {plan.type.name} does not have"
            self.report("unknown-element", node.where, what, "the elements of the R4 definition", _of(plan.type.name))
        for element, keys in plan.required:
            for key in keys:
                if key in value:
                    break
            else:
                self._missing(element, plan.type, node.where)
        if plan.choices:
            self.choices(node, plan)
        if len(value) == 1 and "id" in value and not _has_counterpart(node):
            what = "an id alone is no content"
            self.report("ele-1", node.where, what, "a value, children or extensions", "FHIR R4 Element, ele-1")

    def choices(self, node: ElementNode, plan: _Plan) -> None:
        """An element that allows several types is given as one of them."""
        seen: dict[str, str] = {}
        for key in node.value:
            element = plan.choices.get(key)
            if element is None:
                continue
            name = key.removeprefix("_")
            other = seen.setdefault(element, name)
            if other != name:
                self.report(
                    "choice-twice",
                    f"{node.where}.{name}",
                    f"{element} is given twice, as {other} and as {name}",
                    f"one of the types of {element}",
                    "FHIR R4 Resource Formats (formats.html#choice)",
                )

    def closely(self, node: ElementNode, type_: TypeDefinition, key: str, entry: Any) -> None:
        """One property that did not pass quickly."""
        if key == "resourceType" and node.resource is None:
            return
        name = key.removeprefix("_")
        item = type_.properties.get(name)
        if item is None or (key != name and not item.has_sibling):
            self._unknown(key, type_, node.where)
        elif key == name:
            self.property(item, entry, node.value, node.where)
        else:
            self.sibling(item, entry, node.value, node.where)

    def property(self, item: Property, entry: Any, parent: Mapping[str, Any], where: str) -> None:
        """A property that is an element: array or single, then each value."""
        place = f"{where}.{item.name}"
        if not item.is_array:
            if isinstance(entry, list):
                self.report("not-single", place, "must not be an array", "the value without [ ]", _JSON)
            else:
                self.value(item, entry, place)
            return
        if not isinstance(entry, list):
            self.report("not-an-array", place, "may repeat, so it must be an array", "[ ] around it", _JSON)
            return
        if not entry:
            self.report("empty", place, "an array must not be empty", "leave the element out", _JSON)
        if item.element.max is not None and len(entry) > item.element.max:
            self.report("too-many", place, f"{len(entry)} values", f"at most {item.element.max}", _cardinality(place))
        siblings = parent.get(f"_{item.name}") if item.has_sibling else None
        for index, value in enumerate(entry):
            if value is None and isinstance(siblings, list) and siblings[index : index + 1] not in ([], [None]):
                continue  # a value that is absent and has extensions instead
            self.value(item, value, f"{place}[{index}]")

    def value(self, item: Property, value: Any, where: str) -> None:
        if value is None:
            self.report("null", where, "null stands for nothing here", "leave the element out", _JSON)
        elif item.type == "Resource":
            self.resource(value, lambda: where)
        elif item.is_primitive:
            self.primitive(item, value, where)
        elif not isinstance(value, Mapping):
            self.report("wrong-json-type", where, f"must be an object ({item.type})", "an object", _JSON)

    def primitive(self, item: Property, value: Any, where: str) -> None:
        if not is_json_type(item.type, value):
            self.report(
                "wrong-json-type", where, f"must be a JSON {_json_name(item.type)}", right_form(item.type), _JSON
            )
        elif value == "":
            self.report("empty", where, "a string must not be empty", "leave the element out", _JSON)
        elif not is_legal(item.type, value):
            section = f"FHIR R4 Data Types (datatypes.html#{item.type})"
            self.report("value-format", where, f"not a legal {item.type}", right_form(item.type), section)
        elif item.type == "base64Binary" and has_space(value):
            what, remedy = "white space in base64, which RFC 4648 does not allow", "the same without it"
            self.report("base64-space", where, what, remedy, "FHIR R4 Data Types, base64Binary", Severity.WARNING)
        elif item.element.binding:
            codes = value_set(item.element.binding)
            if codes is not None and value not in codes.codes:
                near = self.near(value, codes.codes)
                listed = " | ".join(sorted(codes.codes)) if len(codes.codes) <= 20 else item.element.binding
                remedy = f"{near[0]!r}? One of: {listed}" if near else f"one of: {listed}"
                what = f"the code is not in the required value set {item.element.binding.partition('|')[0]}"
                self.report("code-not-in-value-set", where, what, remedy, _BINDING)

    def sibling(self, item: Property, entry: Any, parent: Mapping[str, Any], where: str) -> None:
        """The ``_name`` beside a primitive: an object, or for an array an array of the same length."""
        place = f"{where}._{item.name}"
        if not item.is_array:
            if not isinstance(entry, Mapping):
                self.report("wrong-json-type", place, "must be an object", "an object", _JSON)
            return
        if not isinstance(entry, list) or not entry:
            self.report("not-an-array", place, "must be an array that is not empty", "[ ] around it", _JSON)
            return
        values = parent.get(item.name)
        if isinstance(values, list) and len(values) != len(entry):
            what = f"has {len(entry)} entries, {item.name} has {len(values)}"
            self.report("sibling-length", place, what, "null where an entry has no counterpart", _JSON)
        for index, (own, value) in enumerate(zip_longest(entry, values if isinstance(values, list) else ())):
            if isinstance(own, Mapping):
                continue
            if own is not None:
                self.report("wrong-json-type", f"{place}[{index}]", "must be an object or null", "null", _JSON)
            elif value is None and index < len(entry) and not isinstance(values, list):
                self.report("null", f"{place}[{index}]", "null stands for nothing here", "leave it out", _JSON)

    def _unknown(self, key: str, type_: TypeDefinition, where: str) -> None:
        near = self.near(key, type_.properties)
        choice = type_.element(f"{key}[x]")
        remedy = "an element of the R4 definition, or an extension"
        if choice is not None:
            remedy = "the name with its type: " + " | ".join(
                name for name, item in type_.properties.items() if item.element == choice
            )
        elif near:
            remedy = f"{near[0]!r}?"
        self.report(
            "unknown-element", f"{where}.{key}", f"{type_.name} has no element {key!r}", remedy, _of(type_.name)
        )

    def _missing(self, element: ElementDefinition, type_: TypeDefinition, where: str) -> None:
        self.report(
            "missing-element",
            f"{where}.{element.name.removesuffix('[x]')}",
            f"{type_.name} must have {element.name}",
            f"{element.name} ({' | '.join(element.types)}), {element.min} or more",
            _of(type_.name),
        )


def _is_resource_type(name: object) -> bool:
    return isinstance(name, str) and name in resource_types()


def _has_counterpart(node: ElementNode) -> bool:
    """Whether the object of id and extensions beside a primitive has that primitive's value with it."""
    if node.parent is None or node.type != "Element":
        return node.resource is None
    value = node.parent.value.get(node.name.removeprefix("_"))
    if isinstance(value, list) and node.index is not None:
        return value[node.index : node.index + 1] not in ([], [None])
    return value is not None


def _of(type_name: str) -> str:
    return f"FHIR R4 {type_name.partition('.')[0]}, resource content" if "." in type_name else f"FHIR R4 {type_name}"


def _cardinality(where: str) -> str:
    return f"FHIR R4, cardinality of {where.rpartition('.')[2]}"


def _json_name(type_name: str) -> str:
    names = {"boolean": "boolean (true or false, no quotes)", "decimal": "number"}
    whole = ("integer", "unsignedInt", "positiveInt")
    return names.get(type_name, "whole number" if type_name in whole else "string")
