"""The same exams under two catalogues: which lines are told otherwise, and which exams only one of them takes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.derive.rejudged import LineDifference, rejudged
from adapter.derive.view import ExamView
from adapter.read import Reading, read


@dataclass(frozen=True, slots=True)
class Compared:
    """One exam. ``refused_before`` and ``refused_after`` are the rules for which a catalogue refuses it."""

    exam: str
    lines: tuple[LineDifference, ...] = ()
    refused_before: tuple[str, ...] = ()
    refused_after: tuple[str, ...] = ()


def compared(paths: Sequence[Path], before: Catalogue, after: Catalogue) -> Iterator[Compared]:
    """Each exam of files or folders in their order, read and judged under both, without its earlier exams."""
    for old, new in zip(read(paths, before), read(paths, after), strict=True):
        yield _compared(old, new, before, after)


def _compared(old: Reading, new: Reading, before: Catalogue, after: Catalogue) -> Compared:
    exam = old.exam or new.exam
    name = exam.details.id if exam is not None else old.source
    if old.exam is None or new.exam is None or not (old.accepted and new.accepted):
        return Compared(name, (), _rules(old), _rules(new))
    return Compared(name, tuple(rejudged(ExamView(old.exam, before), ExamView(new.exam, after))))


def _rules(reading: Reading) -> tuple[str, ...]:
    return tuple(dict.fromkeys(problem.rule for problem in reading.errors))
