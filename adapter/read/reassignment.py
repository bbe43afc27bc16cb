"""An exam that was recorded on the wrong newborn, put right: taken back there, and made anew on the right one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from adapter.catalogue import Catalogue
from adapter.exam import Exam, ExamDetails, Identifier, Mother, Newborn, Status
from adapter.fhir.json import loads
from adapter.problems import AdapterError, Layer, Problem, Report, Severity
from adapter.read.check import check_exam
from adapter.read.explain import explain
from adapter.read.inputs import read
from adapter.read.places import pointer_place


class NotReassigned(AdapterError, ValueError):
    """An exam that cannot be put on another newborn; ``problems`` say why, and what would be right."""


@dataclass(frozen=True, slots=True)
class Reassignment:
    """``taken_back``: the retraction on the first newborn, with all that it takes back; ``anew``: the exam on the
    right one; ``problems``: what its checks found there that is no error."""

    taken_back: Exam
    anew: Exam
    problems: tuple[Problem, ...] = ()


def reassign(
    exam: Exam,
    newborn: Newborn,
    new_id: str,
    reason: str,
    catalogue: Catalogue,
    *,
    encounter: Identifier | None = None,
    recorded: datetime | None = None,
) -> Reassignment:
    """Two records of an ``exam`` that was recorded on the wrong newborn: its retraction (status entered-in-error, its
    reason names ``new_id``), and the exam under ``new_id`` on ``newborn`` (status final, ``reassigned_from`` names
    the exam), checked against that newborn's facts.

    ``exam`` is the newest version; ``encounter`` the right newborn's, since that of the first is another;
    ``recorded`` when this was done, now where it is left out. Who was told stays with the retraction: of the right
    newborn nobody has been told. Raises :class:`NotReassigned`.
    """
    problems = list(_refusals(exam, newborn, new_id, reason, catalogue))
    if problems:
        raise NotReassigned(problems=problems)
    details, reason = exam.details, reason.strip()
    made = recorded or datetime.now(UTC).astimezone().replace(microsecond=0)
    common: dict[str, Any] = {"recorded": made if made >= (details.ended or details.started) else None}
    back = {
        "id": f"{details.id}-taken-back",
        "status": Status.ENTERED_IN_ERROR,
        "amends": details.id,
        "first": details.root if details.amends else None,
        "reassigned_from": None,
        "reason": f"Recorded on the wrong newborn; anew as exam {new_id}. {reason}",
    }
    anew = {
        "id": new_id,
        "status": Status.FINAL,
        "amends": None,
        "first": None,
        "reassigned_from": details.id,
        "reason": reason,
        "encounter": encounter if details.encounter else None,
    }
    try:
        taken_back = exam.model_copy(update={"details": _with(details, common | back)})
        changed = {"details": _with(details, common | anew), "newborn": newborn, "told": ()}
    except ValidationError as error:
        found = explain(error, {}, ExamDetails, pointer_place, catalogue=catalogue)
        raise NotReassigned(problems=found) from None
    again = exam.model_copy(update=changed)
    report = Report(check_exam(again, catalogue))
    if report.errors:
        raise NotReassigned(problems=report.errors)
    return Reassignment(taken_back, again, tuple(report))


def _with(details: ExamDetails, changes: dict[str, Any]) -> ExamDetails:
    return ExamDetails.model_validate({**details.model_dump(), **changes})


def _refusals(exam: Exam, newborn: Newborn, new_id: str, reason: str, catalogue: Catalogue) -> Iterator[Problem]:
    """Why it cannot be, before the findings are looked at."""
    details = exam.details
    if details.status is Status.ENTERED_IN_ERROR:
        what = f"exam {details.id} takes {details.amends} back already"
        yield _error("already-retracted", what, f"the record of {details.amends}, if it is to be recorded anew")
    if not reason.strip():
        yield _error("reason-missing", "no reason is given", "why the exam belongs to another newborn, in words")
    if new_id in (details.id, details.root):
        yield _error("id-taken", f"{new_id} is the exam's own id", "an id that no exam has had")
    if _numbers(exam.newborn, catalogue) & _numbers(newborn, catalogue):
        what = "the exam is of this newborn already: an identifier is the same"
        yield _error(
            "same-newborn", what, "the right newborn's identifiers; a wrong fact is put right by an amendment"
        )
        return
    yield from _siblings(exam.newborn, newborn, catalogue)


def _siblings(one: Newborn, other: Newborn, catalogue: Catalogue) -> Iterator[Problem]:
    """What cannot be of two newborns of one mother, or tells nothing of them apart."""
    mothers = _numbers(one.mother, catalogue) & _numbers(other.mother, catalogue)
    orders = one.birth_order, other.birth_order
    if mothers and None not in orders and _contradict(one, other):
        what = "the two newborns of one mother contradict each other in: birth order"
        yield _error("twins-contradict", what, "birth order and time of birth, as the births were, in both records")
    elif mothers and None in orders and (one.sex, one.birth_time) == (other.sex, other.birth_time):
        what = "nothing but the number tells the two newborns of one mother apart"
        remedy = "birth_order in both records; if they are one newborn with two numbers, an amendment that has both"
        yield _error("same-newborn", what, remedy)


def _contradict(one: Newborn, other: Newborn) -> bool:
    """Whether the orders of birth cannot be true of two children of one birth."""
    assert one.birth_order is not None
    assert other.birth_order is not None
    if abs((one.birth_time - other.birth_time).days) > _DAYS_APART:
        return False  # children of two births
    first, second = sorted((one, other), key=lambda twin: twin.birth_time)
    assert first.birth_order is not None
    assert second.birth_order is not None
    numbers = {one.birth_order.of, other.birth_order.of} - {None}
    same_time = one.birth_time == other.birth_time
    in_turn = first.birth_order.order < second.birth_order.order
    return one.birth_order.order == other.birth_order.order or len(numbers) > 1 or not (in_turn or same_time)


_DAYS_APART = 150
"""Children of one mother born further apart are of two pregnancies; the second twin rarely follows after weeks."""


def _numbers(person: Newborn | Mother | None, catalogue: Catalogue) -> set[str]:
    return set() if person is None else {str(catalogue.resolve(one)) for one in person.identifiers}


def right_newborn(path: Path, catalogue: Catalogue) -> tuple[Newborn, Identifier | None]:
    """The newborn of a file, and the Encounter that its newest exam there names: from any exam of that infant, or a
    record of the newborn alone (the ``newborn`` of a capture record, in JSON). Raises :class:`NotReassigned`."""
    alone = _alone(path, catalogue)
    if alone is not None:
        return alone, None
    readings = list(read(path, catalogue))
    exams = [reading.exam for reading in readings if reading.exam is not None]
    if not exams or len(exams) < len(readings):
        raise NotReassigned(problems=[problem for reading in readings for problem in reading.errors])
    newest = max(exams, key=lambda one: one.details.made)
    if any(not _numbers(one.newborn, catalogue) & _numbers(newest.newborn, catalogue) for one in exams):
        what = "the file holds exams of more than one newborn"
        raise NotReassigned(problems=[_error("several-newborns", what, "a file of the right newborn alone", path)])
    return newest.newborn, newest.details.encounter


def _alone(path: Path, catalogue: Catalogue) -> Newborn | None:
    try:
        content = loads(path.read_bytes())
    except (OSError, ValueError):
        return None  # reading it as an exam says what is wrong
    if not isinstance(content, dict) or "exam" in content or "resourceType" in content:
        return None
    data = content.get("newborn", content)
    try:
        return Newborn.model_validate(data)
    except ValidationError as error:
        raise NotReassigned(problems=explain(error, data, Newborn, pointer_place, catalogue=catalogue)) from None


def _error(rule: str, what: str, remedy: str, path: Path | None = None) -> Problem:
    return Problem(Severity.ERROR, Layer.CAPTURE, rule, what, remedy, file=str(path or ""))
