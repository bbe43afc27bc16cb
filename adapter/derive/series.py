"""An infant's exams judged together: what must be told after the last of them, and how it stands to the earlier ones.

One exam alone is a series of one. A rise, a repeated screen, the weight, and rules on what lasts are worked out over
all exams; and a line that an earlier exam had stands until a later exam has looked again and found it otherwise: what
nobody looked at again is still to be told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from adapter.catalogue import Catalogue, Item, ItemType, Words
from adapter.catalogue.words import key_of
from adapter.derive.outcome import BY_RULE, ENDED, Judged, Place, Standing, below, outcome, place
from adapter.derive.tell import Tell
from adapter.derive.told import line_ids
from adapter.exam import Finding, Status, Telling, Urgency


@dataclass(frozen=True, slots=True)
class SeriesLine:
    """A line of the list, how it stands, and the ids of the exams it rests on, oldest first.

    ``standing`` is None where no earlier exam is known. ``told``: who was told of it, in the exam that has it;
    ``past``: whether that is an earlier exam, and the last has it no more; tellings of it in later ones count too.
    """

    standing: Standing | None
    line: Tell
    exams: tuple[str, ...]
    told: tuple[Telling, ...] = ()
    past: bool = False

    @property
    def resolved(self) -> bool:
        """Whether it need not be told any more, and is only worth knowing."""
        return self.standing in ENDED


_Key = tuple[Place, str]
_STANDINGS = (*Standing,)
_URGENCIES = tuple(Urgency)[::-1]


def series_lines(series: Sequence[Judged], catalogue: Catalogue) -> tuple[SeriesLine, ...]:
    """What must be told after the last exam of a series, each exam judged with those before it.

    The most urgent first; of one urgency what is new, then what is worse, then what is still so. What was resolved
    stands last: that it was ever so is worth knowing. What is only still to be done is a line of the last exam alone.
    """
    last, before = series[-1], series[:-1]
    if last.exam.details.status is Status.ENTERED_IN_ERROR:
        return ()
    if not before:
        ids = (last.exam.details.id,)
        return tuple(
            SeriesLine(None, *one) for one in zip(last.tells, (ids,) * len(last.tells), last.told, strict=True)
        )
    held = [_urgencies(one) for one in series]
    found = [_compared(line, told, held, series) for line, told in zip(last.tells, last.told, strict=True)]
    known = set(held[-1])
    named = dict(_named(last.tells, last))
    for number in range(len(before) - 1, -1, -1):
        one = series[number]
        for name, line, told in zip(line_ids(one.tells), one.tells, one.told, strict=True):
            if (key := _key(line)) not in known and not line.to_do and line.urgency is not Urgency.NONE:
                known.add(key)
                if _is_named(line, one, named):
                    continue
                standing = outcome(line, number, series, catalogue)
                if standing not in ENDED:
                    named = dict(_named([line], one)) | named
                later = (t for after in series[number + 1 :] for t in after.exam.told if t.line == name)
                rests_on = _resting(line, [], series[: number + 1])
                found.append(SeriesLine(standing, line, rests_on, (*told, *later), past=True))
    return tuple(sorted(found, key=_order))


_Of = tuple[str, int]
"""A captured finding: the id of its exam, and its index there."""


def _named(lines: Sequence[Tell], of: Judged) -> Iterator[tuple[_Of, Urgency]]:
    """The findings of earlier exams that lines of rules name, the weakest line first."""
    for line in sorted(lines, key=lambda one: _URGENCIES.index(one.urgency), reverse=True):
        view = of.findings[line.rests_on[0]] if line.rests_on else None
        if view is not None and view.computed is not None and view.computed.urgency is not None:
            for known in view.computed.earlier:
                yield (known.exam, known.number), line.urgency


def _is_named(line: Tell, of: Judged, named: Mapping[_Of, Urgency]) -> bool:
    """Whether lines of rules, none weaker than this one of an earlier exam, name all that it rests on: as within an
    exam they stand for it."""
    if line.item.id in BY_RULE:
        return False
    views = [*below(line, of)]
    rests_on = {(of.exam.details.id, view.index) for view in views if view.computed is None}
    rests_on |= {(known.exam, known.number) for view in views if view.computed for known in view.computed.earlier}
    weight = _URGENCIES.index(line.urgency)
    return bool(rests_on) and all(one in named and _URGENCIES.index(named[one]) <= weight for one in rests_on)


def _urgencies(one: Judged) -> dict[_Key, Urgency]:
    """All that an exam has to be told, by what it is of, with its greatest urgency: its lines, and what another of
    these stands for and is not told besides."""
    found = [(_key(line), line.urgency) for line in one.tells]
    for view in one.findings:
        urgency = view.judged.urgency if view.judged is not None else Urgency.NONE
        if view.computed is not None and view.computed.replaced:
            urgency = view.computed.urgency or urgency
        if urgency is not Urgency.NONE:
            by_rule = view.maker.id if view.maker is not None and view.item.id in BY_RULE else str(False)
            found.append((_of(view.item, view.finding, by_rule), urgency))
    return dict(sorted(found, key=lambda one: _URGENCIES.index(one[1]), reverse=True))


def _key(line: Tell) -> _Key:
    """What a line is of: the item and side, or the rule where a rule put it on the list; not what its value is."""
    said = line.rule if line.item.id in BY_RULE else str(line.to_do)
    return ((line.item.id, line.side, None), said) if line.finding is None else _of(line.item, line.finding, said)


def _of(item: Item, finding: Finding, said: str) -> _Key:
    """What a finding is of. Of an item with several answers each is one of its own."""
    answer = finding.answer if item.type is ItemType.CHOICES else None
    return place(item, finding), f"{said} {answer}" if answer else said


def _compared(
    line: Tell,
    told: tuple[Telling, ...],
    held: Sequence[dict[_Key, Urgency]],
    series: Sequence[Judged],
) -> SeriesLine:
    key = _key(line)
    had = [number for number, urgencies in enumerate(held[:-1]) if key in urgencies]
    exams = _resting(line, [series[number].exam.details.id for number in had], series)
    if not had:
        return SeriesLine(Standing.NEW, line, exams, told)
    worse = _URGENCIES.index(line.urgency) < _URGENCIES.index(held[had[-1]][key])
    return SeriesLine(Standing.WORSE if worse else Standing.STILL, line, exams, told)


def _resting(line: Tell, had: Sequence[str], series: Sequence[Judged]) -> tuple[str, ...]:
    """The exams that a line of the last of them rests on: those that had it, and whose findings made it."""
    last = series[-1]
    over = {one.exam for view in below(line, last) if view.computed for one in view.computed.earlier}
    of = {last.exam.details.id, *had, *over}
    return tuple(one.exam.details.id for one in series if one.exam.details.id in of)


def _order(one: SeriesLine) -> tuple[bool, int, bool, int, bool, int, str]:
    line = one.line
    standing = _STANDINGS.index(one.standing) if one.standing else 0
    urgency = _URGENCIES.index(line.urgency)
    return one.resolved, urgency, line.to_do, standing, not line.because, line.item.position, line.words


def sections(lines: Sequence[SeriesLine]) -> Iterator[tuple[Urgency | None, list[SeriesLine]]]:
    """The list by urgency, the empty parts left out: ``none`` is what is still to be done, None what was resolved."""
    for urgency in (*_URGENCIES, None):
        chosen = [one for one in lines if (None if one.resolved else one.line.urgency) is urgency]
        if chosen:
            yield urgency, chosen


def line_in_words(tell: Tell, words: Words) -> str:
    """One line of the tell list with what it stands for, the reason, the rule and the source."""
    said = tell.words
    if tell.because:
        said = words.say("beside", words=said, of=words.clauses(tell.because))
    return words.say("tell.why", words=said, reason=tell.reason, rule=tell.rule, source=tell.source)


def with_standing(one: SeriesLine, words: Words) -> str:
    """The same, after how it stands to the earlier exams, where there are any."""
    line, standing = line_in_words(one.line, words), standing_in_words(one, words, title=True)
    return words.say("is", what=standing, value=line) if standing else line


def standing_in_words(one: SeriesLine, words: Words, *, title: bool = False) -> str:
    """``still so (exams a, b)``; empty where no earlier exam is known. ``title``: as written at the beginning."""
    if one.standing is None:
        return ""
    form, exams = "title" if title else "within", words.listed(one.exams)
    return words.say(f"standing.{form}.{key_of(one.standing.value)}", count=len(one.exams), exams=exams)
