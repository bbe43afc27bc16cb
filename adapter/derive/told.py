"""Who was told of which line of the tell list, when, by whom, and whether it was read back.

A line told once stays on the list: that somebody knows of it does not make it go away.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from adapter.catalogue import Catalogue
from adapter.derive.tell import Tell
from adapter.derive.words import time_in_words
from adapter.exam import Exam, Examiner, Telling


@dataclass(frozen=True, slots=True)
class Told:
    """``lines``: the tellings of each line of the tell list, in its order; ``others``: of lines that it has not."""

    lines: tuple[tuple[Telling, ...], ...]
    others: tuple[Telling, ...]


def line_ids(tells: Sequence[Tell]) -> tuple[str, ...]:
    """The id of each line: the rule, answer, range or gap that put it on the list, then side and place of the finding
    where it has them (``femoral_pulse.weak/left``), and a number from 2 on where that is not one line's alone.

    What is answered otherwise later, or falls into another range, has another id: that a weak pulse was told does not
    say that an absent one was.
    """
    count: Counter[str] = Counter()
    found = []
    for tell in tells:
        rule = f"{tell.item.id}.examiner" if tell.rule == "examiner" else tell.rule
        site = tell.finding.site if tell.finding is not None else None
        name = "/".join(filter(None, (rule, tell.side and tell.side.value, site)))
        count[name] += 1
        found.append(name if count[name] == 1 else f"{name}/{count[name]}")
    return tuple(found)


def told_of(exam: Exam, tells: Sequence[Tell]) -> Told:
    """The tellings of an exam by the lines of its list."""
    if not exam.told:
        return Told(((),) * len(tells), ())
    ids = line_ids(tells)
    lines = tuple(tuple(one for one in exam.told if one.line == name) for name in ids)
    return Told(lines, tuple(one for one in exam.told if one.line not in ids))


def told_in_words(
    telling: Telling, tell: Tell | None, exam: Exam, catalogue: Catalogue, *, sentence: bool = False
) -> str:
    """One telling: ``told at 09:10 to Dr N (doctor), read back``; and what was said, where not as the line.

    ``sentence``: as one that stands alone.
    """
    words, said = catalogue.words, ""
    by = words.say("told.by", who=_person(telling.by, catalogue)) if telling.by is not None else ""
    back = words.say("told.back" if telling.read_back else "told.not_back") if telling.read_back is not None else ""
    if telling.words and (not tell or telling.words != tell.words):
        said = words.say("told.said", words=" ".join(telling.words.split()))
    return words.say(
        "told.at_title" if sentence else "told.at",
        at=time_in_words(telling.at, exam, words),
        to=_person(telling.to, catalogue),
        by=by,
        back=back,
        said=said,
    )


def other_in_words(telling: Telling, exam: Exam, catalogue: Catalogue) -> str:
    """A telling of a line that the list has not."""
    return catalogue.words.say("is", what=telling.line, value=told_in_words(telling, None, exam, catalogue))


def _person(person: Examiner, catalogue: Catalogue) -> str:
    role = catalogue.roles.get(person.role)
    shown = person.shown_name or (person.identifier.value if person.identifier else "")
    return catalogue.words.say("beside", words=shown, of=role.inline if role else person.role)
