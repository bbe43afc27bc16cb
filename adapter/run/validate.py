"""Validating as a work: every resource of any FHIR input, and a line for each with its problems."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from adapter import __version__
from adapter.problems import Layer, Problem
from adapter.run.inputs import Cut, Given
from adapter.run.pieces import PIECES, Piece, PieceKind
from adapter.run.rejects import problem_fields, problem_of, reject, rejecting
from adapter.run.work import Handled, Landing, Output, Tally, catalogue_identity
from adapter.validate import ALL, Loaded, Validator, load_packages, read_resources
from adapter.validate.reading import read_line

PROBLEMS = "problems"
"""The file of a chunk that holds the problems."""

_EXCERPT = "excerpt"


@dataclass(frozen=True, slots=True)
class Validate:
    """Resources through the layers of the validator.

    What comes out is a line for each resource that has problems (``every``: for each), with ``file``, ``line`` where
    it came from NDJSON, and ``problems``; with ``excerpts`` each has the source of its place. A resource with an
    error counts as refused.
    """

    layers: tuple[Layer, ...] = ALL
    packages: tuple[Path, ...] = ()
    second_opinion: bool = False
    every: bool = False
    excerpts: bool = False
    name: str = "validate"

    @property
    def cut(self) -> Cut:
        """Each resource by itself."""
        return Cut(rows=None)

    @property
    def outputs(self) -> tuple[Output, ...]:
        """The problems of all."""
        return (Output(PROBLEMS, "", Landing.JOIN, of_refused=True),)

    @property
    def most(self) -> int:
        """About a second's work."""
        return PIECES

    def prepared(self, inputs: Sequence[Given], out: Path | None) -> Validate:
        """The same, once the packages can be used. Raises ``PackageError``."""
        _packages(self.packages)
        return self

    def identity(self) -> str:
        """The options, this version and the packages."""
        layers = ",".join(layer.value for layer in self.layers)
        packages = catalogue_identity(None, *self.packages)
        return f"{layers} {self.second_opinion} {self.every} {self.excerpts} {__version__} {packages}"

    def open(self) -> _Maker:
        """With the packages loaded."""
        return _Maker(self)

    def finish(self, kept: Path, out: Path) -> Tally:
        """Nothing is left to do."""
        return Tally()


_packages = lru_cache(maxsize=1)(load_packages)


class _Maker:
    def __init__(self, work: Validate) -> None:
        self.validator = Validator(work.layers, _packages(work.packages), work.second_opinion)
        self.work = work

    def begin(self, folder: Path) -> None:
        self.folder = folder
        self.file = (folder / PROBLEMS).open("wb")

    def take(self, piece: Piece) -> Iterator[Handled]:
        return rejecting(self.folder, piece, map(self._handled, _loaded(piece)))

    def reject(self, piece: Piece, refused: Sequence[Handled]) -> None:
        reject(self.folder, piece, refused)
        for handled in refused:
            self._write(Loaded(None, [], piece.file, piece.at or None), handled.problems)

    def _handled(self, loaded: Loaded) -> Handled:
        problems = self.validator.check(loaded)
        if problems or self.work.every:
            self._write(loaded, problems)
        return Handled(not problems.is_valid, tuple(problems))

    def _write(self, loaded: Loaded, problems: Sequence[Problem]) -> None:
        entry: dict[str, Any] = {"file": loaded.file, **({"line": loaded.line} if loaded.line else {})}
        entry["problems"] = [problem_fields(problem) for problem in problems]
        if self.work.excerpts:
            for fields, problem in zip(entry["problems"], problems, strict=True):
                fields[_EXCERPT] = loaded.excerpt(problem)
        self.file.write(json.dumps(entry, ensure_ascii=False).encode() + b"\n")

    def end(self) -> None:
        self.file.close()


def _loaded(piece: Piece) -> Iterator[Loaded]:
    if piece.kind is PieceKind.LINE:
        yield read_line(piece.data, piece.file, piece.at)
    else:
        yield from read_resources(piece.path, piece.file)


@dataclass(frozen=True, slots=True)
class Validated:
    """One resource: where it came from, its problems, and their excerpts where these were asked for."""

    file: str
    line: int | None
    problems: tuple[Problem, ...]
    excerpts: tuple[str, ...]


def validated_in(folder: Path) -> Iterator[Validated]:
    """The resources in the problems file of a chunk."""
    with (folder / PROBLEMS).open("rb") as file:
        for entry in map(json.loads, file):
            excerpts = tuple(fields.pop(_EXCERPT, "") for fields in entry["problems"])
            yield Validated(entry["file"], entry.get("line"), tuple(map(problem_of, entry["problems"])), excerpts)
