"""Which slice an element belongs to, by the discriminators (FHIR R4, profiling.html#discriminator)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from adapter.validate.fhirpath import PathItem
from adapter.validate.fhirpath.items import is_type
from adapter.validate.packages.load import Packages
from adapter.validate.packages.places import PlacedElement, has_pattern, is_same, placed_children
from adapter.validate.packages.rules import ElementRule
from adapter.validate.references import contained_target
from adapter.validate.walk import ElementNode, objects, text


@dataclass(frozen=True, slots=True)
class Sorter:
    """Sorts the elements of one resource; ``conforms`` says whether an element meets a profile, ``rules_of`` has its
    rules, None where no package defines it."""

    packages: Packages
    node: ElementNode
    conforms: Callable[[PlacedElement, str], bool]
    rules_of: Callable[[str], ElementRule | None]

    def can_tell(self, rule: ElementRule, one: ElementRule) -> bool:
        """Whether anything tells the elements of a slice: discriminators, or what the slice itself fixes."""
        return _discriminators(rule) != _ITSELF or bool(rule.discriminators) or _tells(one)

    def is_in(self, rule: ElementRule, one: ElementRule, placed: PlacedElement) -> bool:
        """Whether an element of the sliced ``rule`` belongs to its slice ``one``."""
        return all(self._agrees(kind, path, one, placed) for kind, path in _discriminators(rule))

    def _agrees(self, kind: str, path: str, one: ElementRule, placed: PlacedElement) -> bool:
        if kind == "value" and path == "url" and one.types.get("Extension"):
            return _url(placed) in {profile.partition("|")[0] for profile in one.types["Extension"]}
        steps = [] if path == "$this" else path.split(".")
        here, wanted = [placed], [one]
        for step in steps:
            if step != "resolve()" and not step.startswith("ofType("):
                here, wanted = self._follow(step, here, wanted)
        if kind == "exists":
            return bool(here) != any(rule.max == 0 for rule in wanted)
        if kind == "profile" or "resolve()" in steps:
            return self._has_profile(wanted, here, "resolve()" in steps)
        if kind == "type":
            types = {code for rule in wanted for code in rule.types}
            return bool(here) and all(any(is_type(p.item.type, code) for code in types) for p in here)
        return any(self._is_value(rule, p) for rule in wanted for p in here)

    def _follow(
        self, step: str, here: list[PlacedElement], wanted: list[ElementRule]
    ) -> tuple[list[PlacedElement], list[ElementRule]]:
        """One step of a discriminator's path, in the data and in the rules (the slices of a rule count too)."""
        if step.startswith("extension("):
            url = step[len("extension(") : -1].strip("'\"")
            here = [c for p in here for c in placed_children(p, "extension") if _url(c) == url]
            sliced = [child for rule in wanted if (child := rule.child("extension"))]
            return here, [
                one for rule in sliced for one in rule.slices.values() if url in one.types.get("Extension", ())
            ]
        here = [c for p in here for c in placed_children(p, step)]
        return here, [one for rule in wanted for one in self._below(rule, step)]

    def _below(self, rule: ElementRule, step: str) -> Iterator[ElementRule]:
        """What a rule says of a child: by the child itself, by a value or pattern of the whole, by a profile of its
        data type (a Coding of LOINC, say)."""
        for whole in (rule.fixed, rule.pattern):
            value = whole.get(step) if isinstance(whole, Mapping) else None
            for part in value if isinstance(value, list) else [value] * (value is not None):
                yield ElementRule(f"{rule.path}.{step}", step, pattern=part)
        trees = (self.rules_of(profile) for profiles in rule.types.values() for profile in profiles)
        for one in (rule, *filter(None, trees)):
            if child := one.child(step):
                yield from (child, *child.slices.values())

    def _is_value(self, wanted: ElementRule, placed: PlacedElement) -> bool:
        """Whether an element has the value, pattern or code that a slice is told by; false where there is none."""
        if wanted.fixed is not None or wanted.pattern is not None:
            is_fixed = wanted.fixed is None or is_same(placed.item.value, wanted.fixed)
            return is_fixed and (wanted.pattern is None or has_pattern(placed.item.value, wanted.pattern))
        strength, url = wanted.binding
        if strength == "required" and not any(map(_tells, wanted.children.values())):
            return bool(self.packages.member_of(placed.item, url))
        telling = [
            (name, rule)
            for name, child in wanted.children.items()
            for rule in (child, *child.slices.values())
            if _tells(rule)
        ]
        return bool(telling) and all(
            any(self._is_value(rule, inner) for inner in placed_children(placed, name)) for name, rule in telling
        )

    def _has_profile(self, wanted: list[ElementRule], here: list[PlacedElement], resolves: bool) -> bool:
        profiles = [p for rule in wanted for listed in rule.types.values() for p in listed]
        if resolves:
            profiles = profiles or [target for rule in wanted for target in rule.targets]
            here = [target for placed in here if (target := self._target(placed)) is not None]
        return bool(here) and all(any(self.conforms(placed, profile) for profile in profiles) for placed in here)

    def _target(self, placed: PlacedElement) -> PlacedElement | None:
        value = placed.item.value
        target = resolved(self.node, text(value, "reference")) if isinstance(value, Mapping) else None
        return None if target is None else PlacedElement(PathItem(target, text(target, "resourceType")), placed.where)


_ITSELF = (("value", "$this"),)


def _discriminators(rule: ElementRule) -> tuple[tuple[str, str], ...]:
    """Those of the profile; else R4's own of choices and extensions; else what a slice itself fixes.

    The last is for slices that a differential cuts further and whose base is one of R4's profiles.
    """
    if rule.discriminators:
        return rule.discriminators
    if rule.name in ("extension", "modifierExtension"):
        return (("value", "url"),)
    return (("type", "$this"),) if rule.name.endswith("[x]") else _ITSELF


def resolved(node: ElementNode, reference: str) -> Mapping[str, Any] | None:
    """The contained resource, or the resource of the Bundle around a node, that a reference leads to."""
    if reference.startswith("#"):
        return contained_target(node, reference)
    top = node
    while top.parent is not None:
        top = top.parent
    for entry in objects(top.value, "entry") if top.type == "Bundle" and reference else ():
        for resource in objects(entry, "resource"):
            named = f"{text(resource, 'resourceType')}/{text(resource, 'id')}"
            if reference in (entry.get("fullUrl"), named):
                return resource
    return None


def _tells(rule: ElementRule) -> bool:
    """Whether a rule has a value by which an element can be told."""
    if rule.fixed is not None or rule.pattern is not None or rule.binding[0] == "required":
        return True
    return any(_tells(child) for child in (*rule.children.values(), *rule.slices.values()))


def _url(placed: PlacedElement) -> str:
    return text(placed.item.value, "url") if isinstance(placed.item.value, Mapping) else ""
