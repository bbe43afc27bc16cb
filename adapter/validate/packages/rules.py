"""A StructureDefinition as a tree of rules, from its snapshot or, where it has none, its differential.

FHIR R4, Profiling (profiling.html) and ElementDefinition (elementdefinition.html). A differential is laid over the
tree of its base, so that it has the base's slices and what they are told by. A base that no package defines is one of
R4's own definitions, which every resource is held against anyway.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from adapter.fhir.definitions import constraints, type_names
from adapter.validate.fhirpath import Expression, FhirPathError, compiled
from adapter.validate.packages.load import Json


@dataclass(frozen=True, slots=True)
class ProfileInvariant:
    """A constraint of a profile; ``expression`` is None where it cannot be evaluated."""

    key: str
    severity: str
    human: str
    expression: Expression | None


@dataclass(slots=True)
class ElementRule:
    """What a profile says about one element, or about one slice of it."""

    path: str
    name: str = ""
    slice_name: str = ""
    min: int = 0
    max: int | None = None
    types: dict[str, tuple[str, ...]] = field(default_factory=dict)  # type code to its profiles
    targets: tuple[str, ...] = ()
    fixed: Any = None
    pattern: Any = None
    max_length: int | None = None
    binding: tuple[str, str] = ("", "")  # strength, value set
    must_support: bool = False
    invariants: tuple[ProfileInvariant, ...] = ()
    discriminators: tuple[tuple[str, str], ...] = ()  # type, path
    closed: bool = False
    children: dict[str, ElementRule] = field(default_factory=dict)
    slices: dict[str, ElementRule] = field(default_factory=dict)

    def child(self, name: str) -> ElementRule | None:
        """The rule of a child element; ``value`` finds ``value[x]``."""
        return self.children.get(name) or self.children.get(f"{name}[x]")


def rule_tree(structure: Json, base: ElementRule | None = None) -> ElementRule:
    """The rules of a profile, at its root; ``base`` are those of the profile that its differential is of."""
    holder = structure.get("snapshot") or structure.get("differential") or {}
    root = ElementRule(str(structure.get("type", ""))) if base is None else copy.deepcopy(base)
    for element in holder.get("element") or ():
        if isinstance(element, Mapping):
            rule = _place(root, str(element.get("id") or ""), str(element.get("path", "")), element)
            _fill(rule, element)
    return root


def _place(root: ElementRule, identifier: str, path: str, element: Json) -> ElementRule:
    """The rule of an element, made with those above it where they are not there yet."""
    steps = (identifier or path).split(".")[1:]
    if not identifier and element.get("sliceName") and steps:
        steps[-1] += f":{element['sliceName']}"
    here, walked = root, root.path
    for step in steps:
        name, _, slice_name = step.strip().partition(":")
        walked += f".{name}"
        here = here.children.setdefault(name, ElementRule(walked, name))
        for part in filter(None, slice_name.split("/")):  # a slice of a slice: profiling.html#reslicing
            here = here.slices.setdefault(part, ElementRule(walked, name, part))
    return here


def _fill(rule: ElementRule, element: Json) -> None:
    rule.min = int(element.get("min", rule.min))
    if "max" in element:
        rule.max = None if element["max"] == "*" else int(element["max"])
    if element.get("type"):
        rule.types, rule.targets = {}, ()
    for used in element.get("type") or ():
        code = str(used.get("code", ""))
        if "/" in code:
            continue  # ids and URLs of extensions: types of FHIRPath and not of FHIR
        rule.types[code] = tuple(used.get("profile") or ())
        rule.targets += tuple(used.get("targetProfile") or ())
    for key, value in element.items():
        if key.startswith("fixed"):
            rule.fixed = value
        elif key.startswith("pattern"):
            rule.pattern = value
    binding = element.get("binding") or {}
    if "valueSet" in binding:
        rule.binding = (str(binding.get("strength")), str(binding["valueSet"]))
    rule.max_length = element.get("maxLength", rule.max_length)
    rule.must_support = bool(element.get("mustSupport", rule.must_support))
    rule.invariants += tuple(_invariants(rule.path, element.get("constraint") or ()))
    if "slicing" in element:
        slicing = element["slicing"]
        rule.closed = slicing.get("rules") == "closed"
        told = slicing.get("discriminator") or ()
        rule.discriminators = tuple((str(d.get("type")), str(d.get("path"))) for d in told)


_KNOWN: set[tuple[str, str]] = set()


def _standards_own() -> set[tuple[str, str]]:
    """Keys and expressions of R4's own constraints, which the invariants layer evaluates."""
    if not _KNOWN:
        for path in (*type_names(), "DomainResource", "Element"):
            _KNOWN.update((c.key, c.expression) for c in constraints(path))
    return _KNOWN


def _invariants(path: str, found: Iterable[Json]) -> Iterable[ProfileInvariant]:
    standard = _standards_own()
    keys = {key for key, _ in standard if "-" in key and not key.startswith("inv-")}
    for constraint in found:
        key, text = str(constraint.get("key")), str(constraint.get("expression", ""))
        if (key, text) in standard or key in keys:
            continue
        try:
            expression = compiled(text)
        except FhirPathError:
            expression = None
        yield ProfileInvariant(key, str(constraint.get("severity")), str(constraint.get("human", "")), expression)
