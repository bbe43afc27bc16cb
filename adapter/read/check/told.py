"""Who was told: roles that are known, not before birth, and of a line that the list has, after what it rests on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from adapter.catalogue import Catalogue
from adapter.derive import Tell, line_ids, made_at
from adapter.derive.view import ExamView
from adapter.exam import Exam, Status, Telling
from adapter.problems import Problem
from adapter.read.places import PlaceOf
from adapter.read.wording import one_of, shown


def check_told(
    exam: Exam, told: Sequence[tuple[Telling, str]], catalogue: Catalogue, place: PlaceOf, *, sound: bool
) -> Iterator[Problem]:
    """What is wrong or doubtful in the tellings of an exam, each given with its pointer.

    ``sound``: nothing else is wrong with the exam, so that its tell list can be made. A line that the list has not is
    warned of and kept: another version of the catalogue may have it, or an amendment found it otherwise.
    """
    if not told:
        return
    lines: dict[str, Tell] = {}
    if listed := sound and exam.details.status is not Status.ENTERED_IN_ERROR:
        tells = ExamView(exam, catalogue).notifications
        lines = dict(zip(line_ids(tells), tells, strict=True))
    for telling, at in told:
        for name, person in (("to", telling.to), ("by", telling.by)):
            if person is not None and person.role not in catalogue.roles:
                yield place(f"{at}/{name}/role").error(
                    "unknown-role", f"no role {shown(person.role)}", one_of(person.role, catalogue.roles)
                )
        if telling.at < exam.newborn.birth_time:
            what, remedy = "told before birth", "a time after birth; check date and offset of both"
            yield place(f"{at}/at").error("told-before-birth", what, remedy)
        elif listed and telling.line not in lines:
            what = f"the tell list has no line {shown(telling.line)}; the telling is kept, beside no line"
            known = one_of(telling.line, lines) if lines else "nothing of this exam is on the list"
            remedy = f"{known}; one of an earlier exam is known where that exam is given too"
            yield place(f"{at}/line").warning("told-of-no-line", what, remedy)
        elif listed and telling.at < _known_from(lines[telling.line], exam, catalogue):
            remedy = "the times as they were: of the telling, and of the finding (observed_at)"
            yield place(f"{at}/at").warning("told-before-finding", "told before it was found", remedy)


def _known_from(tell: Tell, exam: Exam, catalogue: Catalogue) -> datetime:
    """When the first of what a line rests on was found; of what was not recorded, the exam's start."""
    found = [exam.findings[n] for n in tell.rests_on if n < len(exam.findings)]
    moments = [made_at(one, catalogue.items[one.item], exam) for one in found]
    return min(moments, default=exam.details.started)
