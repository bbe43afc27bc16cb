"""Findings in words, for people: by the catalogue's labels and the word list of its language."""

from __future__ import annotations

from datetime import datetime

from adapter.catalogue import Bound, Catalogue, Item, ItemType, Span, Words
from adapter.catalogue.words import Part
from adapter.derive.scores import missing_signs, score_total
from adapter.exam import Amount, Exam, Finding, Quantity, Score, Side
from adapter.problems import AdapterError


class NotSaid(AdapterError):
    """Something is not worked out, and why: a sentence of the word list by its key, with its parts."""

    def __init__(self, key: str, **parts: Part) -> None:
        self.key, self.parts = key, parts
        super().__init__(key)

    def said(self, words: Words) -> str:
        """Why, in a language."""
        return words.say(self.key, **self.parts)


def in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """One finding in words: ``Femoral pulse, left: weak``."""
    where = where_in_words(item, finding.side, finding.site, catalogue)
    return catalogue.words.say("is", what=where, value=value_in_words(finding, item, catalogue))


def where_in_words(item: Item, side: Side | None, site: str | None, catalogue: Catalogue) -> str:
    """What was looked at, of which side and place: ``Femoral pulse, left``."""
    if side is None and site is None:
        return item.label
    sided = catalogue.sides[side.value].inline if side else None
    return catalogue.words.listed((item.label, sided, catalogue.sites[site].inline if site else None))


def time_in_words(at: datetime, exam: Exam, words: Words) -> str:
    """A time within the exam: the clock alone where day and offset are those of the exam's start."""
    started = exam.details.started
    same = at.date() == started.date() and at.utcoffset() == started.utcoffset()
    return words.clock(at) if same else words.moment(at)


def span_in_words(span: Span, words: Words, joined: str = "range.both") -> str:
    """A range as people read it: ``≥30 and ≤60``; of one number, the number. ``joined``: the key of both ends."""
    if span.low and span.high and span.low.value == span.high.value:
        return words.number(span.low.value)
    return bounds_in_words(span, words, joined).replace(">=", "≥").replace("<=", "≤")


def bounds_in_words(span: Span, words: Words, joined: str = "range.both") -> str:
    """A range with its comparators as they are written in data: ``>=30 and <=60``."""
    low, high = (_bound(end, words) if end else "" for end in (span.low, span.high))
    if low and high:
        return words.say(joined, low=low, high=high)
    return low or high or words.say("range.any")


def _bound(end: Bound, words: Words) -> str:
    return f"{end.comparator}{words.number(end.value)}"


def value_in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """What was found, without where."""
    words = catalogue.words
    if finding.not_examined is not None:
        return words.say("finding.not_examined", reason=catalogue.reasons[finding.not_examined].inline)
    if (given := finding.answer) is not None:
        answer = item.answer(given)
        return answer.label if answer else given
    if (quantity := finding.quantity) is not None:
        amounts: list[Quantity | Amount] = [quantity] if quantity.plus is None else [quantity, quantity.plus]
        parts = (f"{words.number(amount.value)}{catalogue.units.shown(amount.unit)}" for amount in amounts)
        return f"{quantity.comparator or ''}{' '.join(parts)}"
    if (several := finding.quantities) is not None:
        numbers = "/".join(words.number(number) for number in several.components.values())
        return f"{numbers}{catalogue.units.shown(several.unit)}"
    if (score := finding.score) is not None:
        return _score(score, item, words)
    return str(finding.text) if (moment := finding.moment) is None else words.found_at(moment)


def _score(score: Score, item: Item, words: Words) -> str:
    total = score_total(score, item) if item.type is ItemType.SCORE else score.total
    if total is not None:
        return words.say("finding.total", total=total)
    return words.say("finding.no_total", missing=words.listed(missing_signs(score, item, words)))
