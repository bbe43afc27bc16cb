"""The form of a hand-written constraint, and the few shapes that most constraints have."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass

from adapter.problems import Severity
from adapter.validate.walk import ElementNode, has

Broken = Iterable[str]  # where the rule is broken, relative to the node: "" or ".referenceRange[0]"


@dataclass(frozen=True, slots=True)
class Asked:
    """A function that yields the places where a rule is broken; and ``about``: the elements of which all must be
    there, or there is nothing to ask."""

    broken: Callable[[ElementNode], Broken]
    about: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Invariant:
    """One constraint: the types it is for, and what is asked of each object of these."""

    key: str
    types: tuple[str, ...]
    asked: Asked
    what: str
    remedy: str
    severity: Severity = Severity.ERROR

    def may_be_broken(self, names: Collection[str]) -> bool:
        """Whether an object with properties of these names can break it, whatever their values are."""
        return all(any(_is_of(name, element) for name in names) for element in self.asked.about)


def _is_of(name: str, element: str) -> bool:
    """Whether a property is of an element: its value, one of its types, or what stands beside a primitive."""
    plain = name.removeprefix("_")
    return plain.startswith(element[:-3]) if element.endswith("[x]") else plain == element


def unless(holds: Callable[[ElementNode], bool], *about: str) -> Asked:
    """A rule about the node as a whole: broken at the node unless ``holds``."""
    return Asked(lambda node: () if holds(node) else ("",), about)


def implies_one_of(first: str, *others: str) -> Asked:
    """If the first element is there, one of the others must be."""
    return unless(lambda n: not has(n.value, first) or any(has(n.value, other) for other in others), first)


def one_of(*names: str) -> Asked:
    """At least one of the elements must be there."""
    return unless(lambda n: any(has(n.value, name) for name in names))


def not_both(first: str, second: str) -> Asked:
    """The two elements exclude each other."""
    return unless(lambda n: not (has(n.value, first) and has(n.value, second)), first, second)
