"""What another catalogue would tell differently of one exam: lines of the tell list that appear, disappear or change
their urgency. It names items and rules, never values."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from adapter.derive.tell import Tell
from adapter.derive.told import line_ids
from adapter.derive.view import ExamView
from adapter.exam import Urgency

_SOON = tuple(Urgency)
"""None first, the soonest last."""


class Difference(StrEnum):
    """What becomes of a line."""

    APPEARS = "appears"
    DISAPPEARS = "disappears"
    SOONER = "is told sooner"
    LATER = "is told later"


@dataclass(frozen=True, slots=True)
class LineDifference:
    """One line of an exam that the two catalogues tell differently.

    ``rule`` is empty where the line is a finding's own. ``within``: the rules of the other list whose lines stand for
    the same findings, so that a line which disappears is still told. ``words`` are the line's own and hold findings.
    """

    exam: str
    item: str
    side: str
    rule: str
    before: Urgency | None
    after: Urgency | None
    within: tuple[str, ...]
    words: str

    @property
    def difference(self) -> Difference:
        """What becomes of it."""
        if self.before is None:
            return Difference.APPEARS
        if self.after is None:
            return Difference.DISAPPEARS
        return Difference.SOONER if _SOON.index(self.after) > _SOON.index(self.before) else Difference.LATER


def rejudged(before: ExamView, after: ExamView) -> list[LineDifference]:
    """The differences between the lists of one exam under two catalogues, each judged without earlier exams.

    A finding that another answer's or range's line stands for under the other catalogue is one line.
    """
    old, new = (dict(zip(line_ids(view.notifications), view.notifications, strict=True)) for view in (before, after))
    pairs = [(old[name], new[name]) for name in old if name in new]
    gone, come = [old[name] for name in old if name not in new], [new[name] for name in new if name not in old]
    for line in list(gone):
        other = next((one for one in come if not _rule(line, before) and _same(line, one)), None)
        if other is not None:
            pairs.append((line, other))
            gone.remove(line)
            come.remove(other)
    found = [_of(before, line, line.urgency, None, new.values()) for line in gone]
    found += [_of(after, line, None, line.urgency, old.values()) for line in come]
    changed = ((one, two) for one, two in pairs if one.urgency is not two.urgency)
    return [*found, *(_of(after, two, one.urgency, two.urgency, ()) for one, two in changed)]


def _same(one: Tell, other: Tell) -> bool:
    """Whether both lines are of the same finding alone."""
    return (one.item.id, one.side, one.rests_on) == (other.item.id, other.side, other.rests_on)


def _rule(line: Tell, view: ExamView) -> str:
    return line.rule if line.rule in view.catalogue.rules else ""


def _of(
    view: ExamView, line: Tell, before: Urgency | None, after: Urgency | None, others: Iterable[Tell]
) -> LineDifference:
    within = tuple(one.rule for one in others if line.rests_on and set(line.rests_on) <= set(one.rests_on))
    side = line.side.value if line.side is not None else ""
    return LineDifference(
        view.exam.details.id, line.item.id, side, _rule(line, view), before, after, within, line.words
    )
