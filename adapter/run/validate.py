"""Validating as a work: every resource of any FHIR input, and a line for each with its problems."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapter import __version__
from adapter.problems import Layer, Problem, Severity
from adapter.run.aside import problem_fields
from adapter.run.chunks import UNITS, Form, Unit
from adapter.run.work import Landing, Output, Taken, Tally, catalogue_identity
from adapter.validate import ALL, Loaded, Validator, load_packages, read_resources
from adapter.validate.reading import read_line

PROBLEMS = "problems"


@dataclass(frozen=True, slots=True)
class Validate:
    """Resources through the layers of the validator.

    What comes out is a line for each resource that has problems (``every``: for each), with ``file``, ``line`` where
    it came from NDJSON, and ``problems``. A resource with an error counts as refused.
    """

    layers: tuple[Layer, ...] = ALL
    packages: tuple[Path, ...] = ()
    second_opinion: bool = False
    every: bool = False
    rows: None = None
    name: str = "validate"

    @property
    def outputs(self) -> tuple[Output, ...]:
        """The problems of all."""
        return (Output(PROBLEMS, "", Landing.JOIN),)

    @property
    def most(self) -> int:
        """About a second's work."""
        return UNITS

    def identity(self) -> str:
        """The options, this version and the packages."""
        layers = ",".join(layer.value for layer in self.layers)
        packages = catalogue_identity(None, *self.packages)
        return f"{layers} {self.second_opinion} {self.every} {__version__} {packages}"

    def open(self) -> _Part:
        """With the packages loaded."""
        return _Part(self)

    def finish(self, kept: Path, out: Path) -> Tally:
        """Nothing is left to do."""
        return Tally()


class _Part:
    def __init__(self, work: Validate) -> None:
        packages = load_packages(work.packages)
        self.validator = Validator(work.layers, packages, work.second_opinion)
        self.every = work.every

    def begin(self, folder: Path) -> None:
        self.file = (folder / PROBLEMS).open("wb")

    def take(self, unit: Unit) -> Iterator[Taken]:
        for loaded in _loaded(unit):
            problems = self.validator.check(loaded)
            if problems or self.every:
                self._write(loaded.file, loaded.line, problems)
            yield Taken(not problems.is_valid, tuple(problems))

    def aside(self, unit: Unit, refused: Sequence[Taken]) -> None:
        for taken in refused:
            self._write(unit.file, unit.at or None, taken.problems)

    def _write(self, file: str, line: int | None, problems: Sequence[Problem]) -> None:
        entry: dict[str, Any] = {"file": file, **({"line": line} if line else {})}
        entry["problems"] = [problem_fields(problem) for problem in problems]
        self.file.write(json.dumps(entry, ensure_ascii=False).encode() + b"\n")

    def end(self) -> None:
        self.file.close()


def _loaded(unit: Unit) -> Iterator[Loaded]:
    if unit.form is Form.LINE:
        yield read_line(unit.data, unit.file, unit.at)
    else:
        yield from read_resources(Path(unit.file))


def problem_of(fields: dict[str, Any]) -> Problem:
    """A problem again, of what a line of the output has of it."""
    known = {**fields, "severity": Severity(fields["severity"]), "layer": Layer(fields["layer"])}
    return Problem(**{"rule": "", "what": "", **known})
