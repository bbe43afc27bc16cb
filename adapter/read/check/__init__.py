"""Is an exam possible, coherent and in the catalogue's terms? Every problem at once, each with its place."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from adapter.catalogue import Catalogue
from adapter.exam import Exam, ExamDetails, Finding, Newborn
from adapter.problems import Problem, Report
from adapter.read.check.answers import check_answers
from adapter.read.check.circumstances import check_circumstances
from adapter.read.check.contradictions import check_contradictions
from adapter.read.check.facts import check_facts
from adapter.read.check.numbers import check_numbers
from adapter.read.check.people import check_people
from adapter.read.check.repeats import check_repeats
from adapter.read.check.retired import check_retired
from adapter.read.check.scores import check_scores, check_screen
from adapter.read.check.sides import check_sides
from adapter.read.check.sound import doubtful
from adapter.read.check.subject import Placed, Subject
from adapter.read.check.times import check_times
from adapter.read.check.told import check_told
from adapter.read.places import PlaceOf, pointer_place
from adapter.read.wording import one_of, shown

Check = Callable[[Subject], Iterator[Problem]]

_CHECKS: tuple[Check, ...] = (
    check_people,
    check_facts,
    check_answers,
    check_numbers,
    check_scores,
    check_screen,
    check_sides,
    check_circumstances,
    check_times,
    check_repeats,
    check_contradictions,
)
_OF_A_FINDING = (check_answers, check_numbers, check_scores, check_sides, check_circumstances)
"""Those that look at each finding by itself."""


def check_exam(exam: Exam, catalogue: Catalogue, place: PlaceOf = pointer_place) -> list[Problem]:
    """Everything that is wrong or doubtful in an exam.

    ``place`` translates a JSON pointer into the capture record (``/findings/3/value``) to where that stood in
    the input; without it the pointer itself is named.
    """
    found = [(f, f"/findings/{n}", f"/findings/{n}/value") for n, f in enumerate(exam.findings)]
    problems = check_parts(exam.details, exam.newborn, found, catalogue, place)
    told = [(telling, f"/told/{n}") for n, telling in enumerate(exam.told)]
    return problems + list(check_told(exam, told, catalogue, place, sound=not Report(problems).errors))


def check_parts(
    details: ExamDetails | None,
    newborn: Newborn | None,
    findings: Iterable[tuple[Finding, str, str]],
    catalogue: Catalogue,
    place: PlaceOf,
    *,
    written_before: bool = False,
) -> list[Problem]:
    """The same for a record of which only some parts could be read: findings come as (finding, pointer, value
    pointer). What was ``written_before`` by this adapter may hold what the site has retired since."""
    problems: list[Problem] = []
    known: list[Placed] = []
    for finding, pointer, value_pointer in findings:
        item = catalogue.items.get(finding.item)
        if item is None:
            problems.append(unknown_item(finding.item, pointer, catalogue, place))
        else:
            known.append(Placed(finding, item, pointer, value_pointer, place))
    subject = Subject(details, newborn, tuple(known), catalogue, place)
    of_a_finding = doubtful(subject, _OF_A_FINDING)
    for check in _CHECKS if written_before else (*_CHECKS, check_retired):
        problems += check(of_a_finding if check in _OF_A_FINDING else subject)
    return problems


def unknown_item(name: str, pointer: str, catalogue: Catalogue, place: PlaceOf) -> Problem:
    """The problem of a finding whose item the catalogue does not hold."""
    return place(f"{pointer}/item").error(
        "unknown-item",
        f"the catalogue has no item {shown(name)}",
        one_of(name, catalogue.items, most=6) + " (see the command items)",
        name if name.isprintable() else "",
    )


__all__ = ["check_exam", "check_parts", "check_told", "unknown_item"]
