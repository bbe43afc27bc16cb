"""The form of a hand-written constraint, and the few shapes that most constraints have."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from adapter.problems import Severity
from adapter.validate.walk import ElementNode, has

Broken = Iterable[str]  # where the rule is broken, relative to the node: "" or ".referenceRange[0]"


@dataclass(frozen=True, slots=True)
class Invariant:
    """One constraint: the types it is for, and a function that yields the places where it is broken.

    ``about`` is the property without which there is nothing to ask.
    """

    key: str
    types: tuple[str, ...]
    broken: Callable[[ElementNode], Broken]
    what: str
    remedy: str
    severity: Severity = Severity.ERROR
    about: str = ""


def unless(holds: Callable[[ElementNode], bool]) -> Callable[[ElementNode], Broken]:
    """A rule about the node as a whole: broken at the node unless ``holds``."""
    return lambda node: () if holds(node) else ("",)


def implies_one_of(first: str, *others: str) -> Callable[[ElementNode], Broken]:
    """If the first element is there, one of the others must be."""
    return unless(lambda n: not has(n.value, first) or any(has(n.value, other) for other in others))


def one_of(*names: str) -> Callable[[ElementNode], Broken]:
    """At least one of the elements must be there."""
    return unless(lambda n: any(has(n.value, name) for name in names))


def not_both(first: str, second: str) -> Callable[[ElementNode], Broken]:
    """The two elements exclude each other."""
    return unless(lambda n: not (has(n.value, first) and has(n.value, second)))
