"""Versions of one exam as a chain: ``amends`` may name the exam as first recorded or any later version of it.

The root is found among the exams at hand, or by whoever knows more (an outbox). Nothing is guessed: an amendment of
what nobody knows, of another newborn or of itself is refused with the reason; so are another record under an id that
is taken, and two amendments that nothing tells apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC
from hashlib import blake2b

from adapter.derive.versions import Elsewhere, Precedence, Version, Versions
from adapter.exam import Exam, Newborn, Sex, Status
from adapter.problems import Layer, Problem, Severity

TOLD_APART = "amends: the version that is corrected, if one corrects the other; or recorded in both, when it was made"
"""What tells two amendments of one exam apart."""


class Chains:
    """The versions among some exams. :meth:`see` all first; then :meth:`faults`, :meth:`rooted`, :meth:`in_order`."""

    def __init__(self, exams: Iterable[Exam] = (), elsewhere: Elsewhere = lambda version: None) -> None:
        self._versions = Versions(elsewhere)
        self._newborns: dict[str, Newborn] = {}
        self._content: dict[str, bytes] = {}
        for exam in exams:
            self.see(exam)

    def see(self, exam: Exam) -> None:
        """Take note of it, without its findings, since there may be many; of two under one id the first counts."""
        if exam.details.id not in self._versions:
            self._versions.see(Version.of(exam))
            self._newborns[exam.details.id] = exam.newborn
            self._content[exam.details.id] = _digest(exam)

    def root(self, exam: Exam) -> str | None:
        """The id of the exam as first recorded; None where a version on the way there is not known."""
        return self._versions.root(Version.of(exam))

    def rooted(self, exam: Exam) -> Exam:
        """The exam with ``first`` naming the exam as first recorded, on which all identifiers are built; as it is
        where that is not known here."""
        return rooted(exam, self.root(exam))

    def precedence(self, exam: Exam) -> Precedence:
        """Where it stands among the versions of its exam."""
        return self._versions.precedence(Version.of(exam))

    def faults(self, exam: Exam) -> Iterator[Problem]:
        """Why this exam may not stand in its chain."""
        details = exam.details
        if self._content.get(details.id, _digest(exam)) != _digest(exam):
            what = f"exam {details.id} is given twice, with other content"
            yield _error("id-taken", what, "an amendment has an id of its own, and names this one in amends")
            return
        yield from version_faults(Version.of(exam), self._versions)
        before = self._newborns.get(details.amends or "")
        if before is not None and (moved := another_newborn(exam, before)):
            yield moved

    def unknown(self, exam: Exam) -> str | None:
        """The version that the exam rests on and nobody here knows."""
        return self._versions.missing(Version.of(exam))

    def in_order(self, exams: Sequence[Exam]) -> list[Exam]:
        """Each after those that it goes before, so that the newest is the last."""
        return sorted(exams, key=lambda exam: self.precedence(exam).key)


def rooted(exam: Exam, root: str | None) -> Exam:
    """The exam with this ``root`` in ``first``; nothing there where ``amends`` says it; as it was if unknown."""
    details = exam.details
    first = None if root == details.amends else root
    if root is None or details.amends is None or details.first == first:
        return exam
    return exam.model_copy(update={"details": details.model_copy(update={"first": first})})


def version_faults(version: Version, versions: Versions) -> Iterator[Problem]:
    """Why a version may not stand in its chain, by what the versions say of themselves."""
    if version.amends is None:
        return
    before = versions.get(version.amends)
    if versions.in_circle(version):
        what = f"exam {version.id} amends {version.amends}, which in the end amends {version.id}"
        yield _error("amends-in-a-circle", what, "amends names an earlier version")
        return
    if before is not None and before.status is Status.ENTERED_IN_ERROR:
        what = f"exam {version.id} amends {before.id}, which takes the exam back for good"
        yield _error("amends-a-retraction", what, "the exam anew, under an id of its own, status final")
    elif before is not None and before.recorded and version.recorded and before.recorded >= version.recorded:
        what = f"exam {version.id} amends {before.id}, which was not recorded before it"
        yield _error("amends-what-is-later", what, "amends names an earlier version; or recorded put right in one")
    root = versions.root(version)
    if version.first is not None and root not in (None, version.first):
        what = f"exam {version.id} says that {version.first} was recorded first; its versions lead to {root}"
        yield _error("first-is-another", what, f"first: {root}, or left out; or amends put right")
    taken_back = versions.taken_back(version)
    if taken_back is not None and taken_back != version.amends:
        yield after_retraction(version.id, taken_back)
    for other in versions.forks(version):
        yield fork(version.id, other)


def mixed_up(exam: Exam, others: Iterable[Exam]) -> Iterator[Problem]:
    """That another exam under one number is of a newborn who cannot be this one: a number was mistyped, or a fact.
    Nothing here can tell which, so that it is a doubt, and neither is refused."""
    numbers, known = set(map(str, exam.newborn.identifiers)), known_facts(exam.newborn)
    for other in others:
        theirs = known_facts(other.newborn)
        facts = [fact for fact, said in known.items() if theirs.get(fact, said) != said]
        if facts and other.details.id != exam.details.id and numbers & set(map(str, other.newborn.identifiers)):
            yield newborns_differ(exam.details.id, other.details.id, facts)


def known_facts(newborn: Newborn) -> dict[str, str]:
    """What is known of a newborn that never changes, by name of the fact; two under one number must agree in it."""
    order = newborn.birth_order
    facts = {"sex": newborn.sex.value, "time of birth": newborn.birth_time.astimezone(UTC).isoformat()}
    if newborn.sex is Sex.UNKNOWN:
        del facts["sex"]
    return facts if order is None else {**facts, "birth order": order.model_dump_json()}


def newborns_differ(exam: str, other: str, facts: Sequence[str]) -> Problem:
    """That two exams are of newborns of one number who contradict each other in these facts."""
    what = f"exams {exam} and {other} have one number, and newborns who differ in: {', '.join(facts)}"
    remedy = "the right newborn's identifiers in each; or that fact put right by an amendment"
    return Problem(Severity.WARNING, Layer.CAPTURE, "newborns-differ", what, remedy)


def another_newborn(exam: Exam, before: Newborn) -> Problem | None:
    """That an exam amends one of another newborn; None where both may be one."""
    differing = _differing(before, exam.newborn)
    if not differing:
        return None
    amends = exam.details.amends
    what = f"exam {exam.details.id} amends {amends} and is of another newborn ({', '.join(differing)})"
    remedy = (
        f"if {amends} was recorded on the wrong newborn: newborn-adapter reassign, which takes it"
        " back there and records it anew, under an id of its own, on the right one"
    )
    return _error("amends-another-newborn", what, remedy)


def fork(version: str, other: str) -> Problem:
    """That nothing tells which of two amendments is the newer."""
    what = f"exams {version} and {other} are both amendments of one exam, and nothing says which of them is the newer"
    return _error("amendments-fork", what, TOLD_APART)


def after_retraction(version: str, retraction: str) -> Problem:
    """That an amendment is of an exam that had been taken back when it was recorded."""
    what = f"exam {version} was not recorded before {retraction} had taken the exam back for good"
    return _error("amends-a-retraction", what, "the exam anew, under an id of its own, status final")


def unknown_version(exam: Exam, version: str, severity: Severity) -> Problem:
    """That what an exam amends is not known, where it was looked for."""
    what = f"exam {exam.details.id} amends {version}, which is not among these"
    remedy = f"{version} beside it; or, if it is a later version itself, first: the id of the exam as first recorded"
    return Problem(severity, Layer.CAPTURE, "amends-unknown", what, remedy)


def _digest(exam: Exam) -> bytes:
    return blake2b(exam.model_dump_json().encode(), digest_size=16).digest()


def _differing(one: Newborn, other: Newborn) -> list[str]:
    """The facts in which two newborns contradict each other; none where they may be one."""
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
