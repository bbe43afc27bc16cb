"""Findings in words, for people."""

from __future__ import annotations

from datetime import datetime

from adapter.catalogue import Catalogue, Item, ItemType, Span
from adapter.derive.scores import missing_signs, score_total
from adapter.exam import Amount, Exam, Finding, Quantity, Score


def in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """One finding in words: ``Femoral pulse, left: weak``."""
    where = f"{item.label}, {finding.side}" if finding.side else item.label
    if finding.site:
        where = f"{where}, {catalogue.sites[finding.site].label.lower()}"
    return f"{where}: {value_in_words(finding, item, catalogue)}"


def moment_in_words(at: datetime) -> str:
    """A time as people read it, to the minute, with the offset it was recorded with."""
    return at.isoformat(sep=" ", timespec="minutes")


def time_in_words(at: datetime, exam: Exam) -> str:
    """A time within the exam: the clock alone where day and offset are those of the exam's start."""
    started = exam.details.started
    same = at.date() == started.date() and at.utcoffset() == started.utcoffset()
    return at.strftime("%H:%M") if same else moment_in_words(at)


def span_in_words(span: Span) -> str:
    """A range as people read it: ``≥30 and ≤60``; of one number only, the number."""
    if span.low and span.high and span.low.value == span.high.value:
        return f"{span.low.value}"
    return str(span).replace(">=", "≥").replace("<=", "≤")


def value_in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """What was found, without where."""
    if finding.not_examined is not None:
        return f"not examined ({catalogue.reasons[finding.not_examined].label.lower()})"
    if (given := finding.answer) is not None:
        answer = item.answer(given)
        return answer.label if answer else given
    if (quantity := finding.quantity) is not None:
        amounts: list[Quantity | Amount] = [quantity] if quantity.plus is None else [quantity, quantity.plus]
        parts = (f"{amount.value:f}{catalogue.units.shown(amount.unit)}" for amount in amounts)
        return f"{quantity.comparator or ''}{' '.join(parts)}"
    if (several := finding.quantities) is not None:
        numbers = "/".join(f"{number:f}" for number in several.components.values())
        return f"{numbers}{catalogue.units.shown(several.unit)}"
    if (score := finding.score) is not None:
        return _score(score, item)
    return str(finding.text) if (moment := finding.moment) is None else moment.isoformat(timespec="minutes")


def _score(score: Score, item: Item) -> str:
    total = score_total(score, item) if item.type is ItemType.SCORE else score.total
    return f"total {total}" if total is not None else f"no total, without {', '.join(missing_signs(score, item))}"
