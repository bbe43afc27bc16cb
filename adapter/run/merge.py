"""The end of an extract: what only all exams together can tell of each, and so which rows of the chunks stay in it.

An exam that was given in an earlier chunk is taken out again, as is one whose newborn had another family before (its
dates would be moved by another number of days).
"""

from __future__ import annotations

import json
import pickle
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import compress, islice
from pathlib import Path
from typing import Any, TypeVar

from adapter.derive.chains import newborns_differ
from adapter.files.dedupe import Dedupe
from adapter.problems import Layer, Problem, Severity
from adapter.run.pieces import Piece, PieceKind
from adapter.run.rejects import reject
from adapter.run.work import Handled, NotPossible, Tally
from adapter.write.deidentify import Deidentified, Deidentifier, OtherFamily, TooRare

T = TypeVar("T")

RARE_BESIDE = "left out, too few share the combination beside an earlier release"
IN_DOUBT = "of a newborn who contradicts another exam of that number"

FACTS = "facts"
"""The file of a chunk that says what is to be known of its exams."""


@dataclass(frozen=True, slots=True)
class MergeFacts:
    """One exam of a chunk.

    ``exam``: its id in the extract; ``root``: that of the exam as first recorded. ``among``: what must be known of it
    among other de-identified ones. ``rows``: how many it has in each file. ``kind``, ``file``, ``at``: where it came
    from; ``digest``: of what it was read from, empty where it was de-identified.
    """

    exam: str
    root: str
    among: Deidentified
    newborn: str
    known: dict[str, str]
    rows: dict[str, int]
    findings: int
    kind: str
    file: str
    at: int
    digest: str

    @classmethod
    def from_json(cls, line: str) -> MergeFacts:
        """What ``asdict`` gave."""
        found: dict[str, Any] = json.loads(line)
        among = found.pop("among")
        among |= {"cell": tuple(among["cell"]), "told": tuple(map(tuple, among["told"]))}
        return cls(among=Deidentified(**among), **found)


class Stays:
    """Which rows of the chunks' files stay in the extract.

    ``shuffled``: it is released, and all stands in the order of the exams' pseudonyms; that of the input would tell
    when each newborn was born.
    """

    def __init__(self, kept: Path, gone: dict[int, set[int]], shuffled: bool = False) -> None:
        self._kept, self._gone, self.shuffled = kept, gone, shuffled

    def all_of(self, chunk: int) -> bool:
        """Whether every exam of the chunk stays."""
        return chunk not in self._gone

    def rows(self, chunk: int, name: str) -> Iterator[bool]:
        """For each row of a chunk's file, whether it stays."""
        for facts, stays in self._exams(chunk):
            yield from (stays for _ in range(facts.rows.get(name, 0)))

    def in_order(self, name: str, parts: Iterable[tuple[int, Iterator[T]]]) -> Iterator[T]:
        """The rows that stay of the chunks' files ``parts``, exam after exam in the order of their pseudonyms.

        They are in a temporary file of SQLite meanwhile; memory holds those of one exam.
        """
        with closing(sqlite3.connect("")) as base:
            base.execute("create table exam (rank text, content blob)")
            for chunk, rows in parts:
                for facts, stays in self._exams(chunk):
                    content = list(islice(rows, facts.rows.get(name, 0)))
                    if stays and content:
                        base.execute("insert into exam values (?, ?)", (facts.among.rank, pickle.dumps(content)))
            for (found,) in base.execute("select content from exam order by rank, rowid"):
                yield from pickle.loads(found)  # noqa: S301 (what was put there a moment ago)

    def lines(self, name: str) -> Iterator[bytes]:
        """The lines that stay of the chunks' files of this name."""
        parts = [(number_of(part), part) for part in in_order(self._kept / name)]
        if self.shuffled:
            yield from self.in_order(name, ((number, _lines(part)) for number, part in parts))
            return
        for number, part in parts:
            yield from _lines(part) if self.all_of(number) else compress(_lines(part), self.rows(number, name))

    def facts(self) -> Iterator[MergeFacts]:
        """What is known of the exams that stay, in the order of the input."""
        for path in in_order(self._kept / FACTS):
            yield from (facts for facts, stays in self._exams(number_of(path)) if stays)

    def without(self, exams: frozenset[str]) -> list[MergeFacts]:
        """Take exams out, by their ids in the extract; what is known of them."""
        found = []
        for number, place, facts in _all(self._kept):
            if facts.exam in exams and place not in self._gone.get(number, ()):
                self._gone.setdefault(number, set()).add(place)
                found.append(facts)
        return found

    def _exams(self, chunk: int) -> Iterator[tuple[MergeFacts, bool]]:
        gone = self._gone.get(chunk, ())
        for place, facts in enumerate(facts_in(self._kept / FACTS / f"{chunk:05}")):
            yield facts, place not in gone


def _lines(part: Path) -> Iterator[bytes]:
    with part.open("rb") as file:
        yield from file


def facts_in(path: Path) -> Iterator[MergeFacts]:
    """The exams of a chunk, in order."""
    with path.open(encoding="utf-8") as file:
        yield from map(MergeFacts.from_json, file)


def in_order(folder: Path) -> list[Path]:
    """The files that chunks left of one kind, by the number of the chunk."""
    return sorted(folder.iterdir(), key=number_of) if folder.is_dir() else []


def number_of(path: Path) -> int:
    """The number of the chunk that left a file."""
    return int(path.name.partition(".")[0])


def admitted(kept: Path, deidentifier: Deidentifier | None, repeated: str, changes: Tally) -> Stays:
    """Which exams of those that the chunks left in ``kept`` stay; what changes in the counts goes into ``changes``.

    ``repeated``: what is remarked of an exam that was given before. ``deidentifier`` counts those that stay. Raises
    :class:`adapter.run.work.NotPossible` where its policy refuses to release what is rare.
    """
    gone: dict[int, set[int]] = {}
    with Dedupe() as exams, Dedupe() as newborns:
        for number, place, facts in _all(kept):
            if not exams.new(facts.exam):
                changes.leave_out(repeated, facts.findings)
            elif deidentifier is None or _admitted(facts, deidentifier, changes, kept.parent):
                _doubt(facts, newborns, changes, kept.parent)
                continue
            gone.setdefault(number, set()).add(place)
    if deidentifier is not None:
        try:
            deidentifier.close_admission()
        except TooRare as error:
            raise NotPossible(str(error)) from None
        for number, place, facts in _all(kept):
            if place not in gone.get(number, ()) and not deidentifier.stays(facts.among):
                changes.leave_out(deidentifier.rare_said, facts.findings)
                gone.setdefault(number, set()).add(place)
    return Stays(kept, gone, deidentifier is not None)


def rare_beside(deidentifier: Deidentifier, out: Path, earlier: Sequence[Path]) -> frozenset[str]:
    """:meth:`Deidentifier.beside`. Raises :class:`NotPossible` where its policy refuses to release what is rare."""
    try:
        return deidentifier.beside(out, earlier)
    except TooRare as error:
        raise NotPossible(str(error)) from None


def taken_back(stays: Stays, exams: frozenset[str], deidentifier: Deidentifier, changes: Tally) -> None:
    """These exams stay no longer."""
    for facts in stays.without(exams):
        deidentifier.take_back(facts.among)
        changes.leave_out(RARE_BESIDE, facts.findings)


def _all(kept: Path) -> Iterator[tuple[int, int, MergeFacts]]:
    """Chunk, place in it, and facts of every exam."""
    for path in in_order(kept / FACTS):
        yield from ((number_of(path), place, facts) for place, facts in enumerate(facts_in(path)))


def _doubt(facts: MergeFacts, newborns: Dedupe, changes: Tally, folder: Path) -> None:
    """Say where an exam's newborn contradicts another exam's of the same number: they share a row, and a person must
    find out whose exam it is. ``newborns``: who first said what of each."""
    differing: dict[str, list[str]] = {}
    for fact, value in facts.known.items():
        said = json.dumps([value, facts.exam, facts.root])
        first = json.loads(str(newborns.first(f"{facts.newborn} {fact}", said)))
        if first[0] != value and first[2] != facts.root:
            differing.setdefault(first[1], []).append(fact)
    problems = [newborns_differ(facts.exam, other, named) for other, named in differing.items()]
    if problems:
        handled = Handled(False, tuple(replace(one, file=facts.file) for one in problems), facts.exam)
        reject(folder, Piece(PieceKind(facts.kind), facts.file, facts.at), [handled])
        changes.doubt(handled, IN_DOUBT)


def _admitted(facts: MergeFacts, deidentifier: Deidentifier, changes: Tally, folder: Path) -> bool:
    try:
        deidentifier.admit(facts.among)
    except OtherFamily as error:
        remedy = "the same mother in all its exams"
        problem = Problem(Severity.ERROR, Layer.CAPTURE, "other-mother", str(error), remedy, file=facts.file)
        handled = Handled(True, (problem,), facts.exam)
        reject(folder, Piece(PieceKind(facts.kind), facts.file, facts.at), [handled])
        changes.refuse(handled, facts.findings)
        return False
    return True
