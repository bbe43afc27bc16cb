"""Versions of one exam as a chain: ``amends`` may name the exam as first recorded or any later version of it.

The root is found among the exams at hand, or by whoever knows more (an outbox). Nothing is guessed: an amendment of
what nobody knows, of another newborn or of itself is refused with the reason, and so is another record under an id
that is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import blake2b

from adapter.exam import Exam, Sex, Status
from adapter.problems import Layer, Problem, Severity

RootOf = Callable[[str], str | None]
"""The id of the exam as first recorded, by that of any version; None where it is not known."""


class Chains:
    """The versions among some exams. :meth:`see` all first; then :meth:`faults`, :meth:`root`, :meth:`in_order`."""

    def __init__(self, exams: Iterable[Exam] = (), elsewhere: RootOf = lambda version: None) -> None:
        self._seen: dict[str, Exam] = {}  # without their findings, since there may be many
        self._content: dict[str, bytes] = {}
        self._elsewhere = elsewhere
        for exam in exams:
            self.see(exam)

    def see(self, exam: Exam) -> None:
        """Take note of it; of two under one id the first counts."""
        if exam.details.id not in self._seen:
            self._seen[exam.details.id] = exam.model_copy(update={"findings": ()})
            self._content[exam.details.id] = _digest(exam)

    def root(self, exam: Exam) -> str | None:
        """The id of the exam as first recorded; None where a version on the way there is not known."""
        way = self._back(exam)
        if way.in_circle:
            return None
        return self._elsewhere(way.missing) if way.missing else (way.versions or [exam])[-1].details.id

    def rooted(self, exam: Exam) -> Exam:
        """The exam with ``amends`` naming the exam as first recorded, on which all identifiers are built; as it is
        where that is not known here."""
        root = self.root(exam)
        if root is None or exam.details.amends in (None, root):
            return exam
        return exam.model_copy(update={"details": exam.details.model_copy(update={"amends": root})})

    def faults(self, exam: Exam) -> Iterator[Problem]:
        """Why this exam may not stand in its chain."""
        details = exam.details
        if self._content.get(details.id, _digest(exam)) != _digest(exam):
            what = f"exam {details.id} is given twice, with other content"
            yield _error("id-taken", what, "an amendment has an id of its own, and names this one in amends")
            return
        if details.amends is None:
            return
        before = self._seen.get(details.amends)
        if before is None:
            return
        if self._back(exam).in_circle:
            what = f"exam {details.id} amends {details.amends}, which in the end amends {details.id}"
            yield _error("amends-in-a-circle", what, "amends names an earlier version")
        elif before.details.status is Status.ENTERED_IN_ERROR:
            what = f"exam {details.id} amends {before.details.id}, which takes the exam back for good"
            yield _error("amends-a-retraction", what, "the exam anew, under an id of its own, status final")
        if differing := _differing(before, exam):
            what = f"exam {details.id} amends {before.details.id} and is of another newborn ({', '.join(differing)})"
            remedy = (
                "if the first was recorded on the wrong newborn: a retraction of it (status entered-in-error) with"
                " that newborn's identifiers, and this exam under an id of its own, status final"
            )
            yield _error("amends-another-newborn", what, remedy)

    def unknown(self, exam: Exam) -> str | None:
        """The version that the exam rests on and nobody here knows."""
        missing = self._back(exam).missing
        return missing if missing and self._elsewhere(missing) is None else None

    def in_order(self, exams: Sequence[Exam]) -> list[Exam]:
        """Each after the version that it amends; retractions last, what is not told apart by that as given."""
        return sorted(exams, key=lambda exam: (exam.details.status is Status.ENTERED_IN_ERROR, self._depth(exam)))

    def _depth(self, exam: Exam) -> int:
        way = self._back(exam)
        return len(way.versions) + bool(way.missing or way.in_circle)

    def _back(self, exam: Exam) -> _Way:
        """From an exam to the one as first recorded, as far as the versions at hand lead."""
        versions, passed = list[Exam](), {exam.details.id}
        while (amends := exam.details.amends) is not None:
            before = self._seen.get(amends)
            if before is None:
                return _Way(versions, missing=amends)
            if before.details.id in passed:
                return _Way(versions, in_circle=True)
            passed.add(before.details.id)
            versions.append(before)
            exam = before
        return _Way(versions)


@dataclass(frozen=True, slots=True)
class _Way:
    """The versions before an exam, the nearest first, and what ends the way before the first of all: a version that
    is not at hand, or one that was passed before."""

    versions: list[Exam]
    missing: str | None = None
    in_circle: bool = False


def unknown_version(exam: Exam, version: str, severity: Severity) -> Problem:
    """That what an exam amends is not known, where it was looked for."""
    what = f"exam {exam.details.id} amends {version}, which is not among these"
    remedy = f"{version} beside it, if it is a later version itself; or amends: the id of the exam as first recorded"
    return Problem(severity, Layer.CAPTURE, "amends-unknown", what, remedy)


def _digest(exam: Exam) -> bytes:
    return blake2b(exam.model_dump_json().encode(), digest_size=16).digest()


def _differing(before: Exam, exam: Exam) -> list[str]:
    """The facts in which two newborns contradict each other; none where they may be one."""
    one, other = before.newborn, exam.newborn
    found = []
    if not set(map(str, one.identifiers)) & set(map(str, other.identifiers)):
        found.append("no identifier in common")
    if one.sex is not other.sex and Sex.UNKNOWN not in (one.sex, other.sex) and found:
        found.append("sex")
    if one.birth_time != other.birth_time and found:
        found.append("time of birth")
    return found


def _error(rule: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.ERROR, Layer.CAPTURE, rule, what, remedy)
