"""An infant's exams judged together: what must be told after the last of them, and how it stands to the earlier ones.

One exam alone is a series of one. A rise, a repeated screen and the weight are worked out over all exams; and a line
that an earlier exam had stands until a later exam has looked again and found it otherwise: what nobody looked at
again is still to be told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from adapter.catalogue import Catalogue
from adapter.derive.changes import earlier_of, standing
from adapter.derive.computed import judged_findings
from adapter.derive.tell import Tell, tell_list
from adapter.exam import Exam, Side, Status, Urgency


class Standing(StrEnum):
    """How a line of the last exam stands to the exams before it."""

    NEW = "new"
    WORSE = "worse"
    STILL = "still so"
    NOT_JUDGED = "looked at again, not judged"
    NOT_LOOKED_AT = "not looked at again"
    RESOLVED = "resolved"


@dataclass(frozen=True, slots=True)
class SeriesLine:
    """A line of the list, how it stands, and the ids of the exams it rests on, oldest first."""

    standing: Standing
    line: Tell
    exams: tuple[str, ...]


_Key = tuple[str, Side | None, str]
_STANDINGS = tuple(Standing)
_URGENCIES = tuple(Urgency)[::-1]


def series_list(earlier: Sequence[Exam], exam: Exam, catalogue: Catalogue) -> tuple[SeriesLine, ...]:
    """What must be told after ``exam``, given the earlier exams of the same newborn (others are left out).

    The most urgent first; of one urgency what is new, then what is worse, then what is still so. What was resolved
    stands last: that it was ever so is worth knowing. What is only still to be done is a line of the last exam alone.
    """
    if exam.details.status is Status.ENTERED_IN_ERROR:
        return ()
    exams = [*standing(earlier_of(earlier, exam, catalogue), exam), exam]
    lists = [_lines(exams[:number], one, catalogue) for number, one in enumerate(exams)]
    now, found = lists.pop(), []
    for key, line in now.items():
        found.append(_compared(key, line, lists, exams))
    known = set(now)
    for number in range(len(lists) - 1, -1, -1):
        for key, line in lists[number].items():
            if key not in known and not line.to_do and line.urgency is not Urgency.NONE:
                known.add(key)
                found.append(_no_more(line, number, exams, catalogue))
    return tuple(sorted(found, key=_order))


def _lines(before: Sequence[Exam], exam: Exam, catalogue: Catalogue) -> dict[_Key, Tell]:
    """The lines of one exam by what they are of; of several the most urgent, which comes first."""
    computed, pool = judged_findings(exam, catalogue, before)
    found: dict[_Key, Tell] = {}
    for line in tell_list(exam, computed, catalogue, pool):
        found.setdefault(_key(line), line)
    return found


def _key(line: Tell) -> _Key:
    """What a line is of: the item and side, or the rule where a rule put it on the list; not what its value is."""
    by_rule = bool(line.because) or line.item.id in ("cross_finding", "side_difference")
    return line.item.id, line.side, line.rule if by_rule else str(line.to_do)


def _compared(key: _Key, line: Tell, lists: Sequence[dict[_Key, Tell]], exams: Sequence[Exam]) -> SeriesLine:
    had = [number for number, lines in enumerate(lists) if key in lines]
    ids = tuple(exams[number].details.id for number in (*had, -1))
    if not had:
        return SeriesLine(Standing.NEW, line, ids)
    before = lists[had[-1]][key]
    worse = _URGENCIES.index(line.urgency) < _URGENCIES.index(before.urgency)
    return SeriesLine(Standing.WORSE if worse else Standing.STILL, line, ids)


def _no_more(line: Tell, number: int, exams: Sequence[Exam], catalogue: Catalogue) -> SeriesLine:
    """A line of an earlier exam that the last has not: resolved only where all that it rests on was seen again."""
    exam = exams[number]
    computed, _ = judged_findings(exam, catalogue, exams[:number])
    captured = exam.findings
    rests_on = {(f.item, f.side) for i in line.rests_on if i < len(captured) and (f := captured[i])}
    for index in line.rests_on:
        if index >= len(captured):
            below = computed[index - len(captured)].derived_from
            rests_on |= {(captured[i].item, captured[i].side) for i in below if i < len(captured)}
    after = (one for later in exams[number + 1 :] for one in later.findings if one.not_examined is None)
    seen = {(one.item, one.side) for one in after}
    again = bool(rests_on) and rests_on <= seen
    resolved = again and line.item.id != catalogue.screening.item
    standing = Standing.RESOLVED if resolved else Standing.NOT_LOOKED_AT
    if resolved and _unjudged(rests_on, number, exams, catalogue):
        standing = Standing.NOT_JUDGED
    return SeriesLine(standing, line, (exam.details.id,))


def _unjudged(places: set[tuple[str, Side | None]], number: int, exams: Sequence[Exam], catalogue: Catalogue) -> bool:
    """Whether one of these places was seen after that exam, and nothing judged what was last seen there."""
    last = {}
    for after in range(number + 1, len(exams)):
        for view in judged_findings(exams[after], catalogue, exams[:after])[1]:
            if (place := (view.item.id, view.finding.side)) in places and view.examined:
                last[place] = view
    return any(view.not_judged is not None for view in last.values())


def _order(one: SeriesLine) -> tuple[bool, int, int, bool, int, str]:
    resolved = one.standing is Standing.RESOLVED
    line = one.line
    return (
        resolved,
        _URGENCIES.index(line.urgency),
        _STANDINGS.index(one.standing),
        line.to_do,
        line.item.position,
        line.words,
    )
