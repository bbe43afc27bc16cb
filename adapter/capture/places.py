"""Where in an input something stands, in words a person can follow: a JSON pointer and line, a row and column."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from adapter.problems import Layer, Problem, Severity


@dataclass(frozen=True, slots=True)
class Place:
    """One place of one input, and the problems that are found there."""

    where: str = ""
    line: int | None = None
    file: str = ""

    def error(self, rule: str, what: str, remedy: str, item: str = "") -> Problem:
        """What must be mended before the exam is accepted."""
        return self._problem(Severity.ERROR, rule, what, remedy, item)

    def warning(self, rule: str, what: str, remedy: str, item: str = "") -> Problem:
        """What a person should look at; the exam is accepted."""
        return self._problem(Severity.WARNING, rule, what, remedy, item)

    def information(self, rule: str, what: str, remedy: str, item: str = "") -> Problem:
        """What is worth knowing and needs nothing done."""
        return self._problem(Severity.INFORMATION, rule, what, remedy, item)

    def _problem(self, severity: Severity, rule: str, what: str, remedy: str, item: str) -> Problem:
        return Problem(severity, Layer.CAPTURE, rule, what, remedy, self.where, self.file, item, self.line)


PlaceOf = Callable[[str], Place]
"""From a JSON pointer (RFC 6901) into the capture record to the place in the input that it came from."""


def pointer_place(pointer: str) -> Place:
    """The place of a record that came from no file: the pointer itself."""
    return Place(pointer)


def pointer(*steps: object) -> str:
    """A JSON pointer (RFC 6901, section 3: ``~`` and ``/`` inside a step are escaped)."""
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in steps)
