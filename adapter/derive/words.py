"""Findings in words, for people."""

from __future__ import annotations

from adapter.catalogue import Catalogue, Item, ItemType, Span
from adapter.derive.scores import missing_signs, score_total
from adapter.exam import Amount, At, Finding, Quantities, Quantity, Score


def in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """One finding in words: ``Femoral pulse, left: weak``."""
    where = f"{item.label}, {finding.side}" if finding.side else item.label
    if finding.site:
        where = f"{where}, {catalogue.sites[finding.site].label.lower()}"
    return f"{where}: {value_in_words(finding, item, catalogue)}"


def span_in_words(span: Span) -> str:
    """A range as people read it: ``≥30 and ≤60``; of one number only, the number."""
    if span.low and span.high and span.low.value == span.high.value:
        return f"{span.low.value}"
    return str(span).replace(">=", "≥").replace("<=", "≤")


def value_in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """What was found, without where."""
    value = finding.value
    if finding.not_examined is not None:
        return f"not examined ({catalogue.reasons[finding.not_examined].label.lower()})"
    if finding.text is not None:
        return finding.text
    if isinstance(value, str):
        answer = item.answer(value)
        return answer.label if answer else value
    if isinstance(value, Quantities):
        numbers = "/".join(f"{number:f}" for number in value.components.values())
        return f"{numbers}{catalogue.units.shown(value.unit)}"
    if isinstance(value, Score):
        return _score(value, item)
    if isinstance(value, At):
        return value.time.isoformat(timespec="minutes")
    if isinstance(value, Quantity):
        amounts: list[Quantity | Amount] = [value] if value.plus is None else [value, value.plus]
        parts = (f"{amount.value:f}{catalogue.units.shown(amount.unit)}" for amount in amounts)
        return f"{value.comparator or ''}{' '.join(parts)}"
    return str(value)


def _score(score: Score, item: Item) -> str:
    total = score_total(score, item) if item.type is ItemType.SCORE else score.total
    return f"total {total}" if total is not None else f"no total, without {', '.join(missing_signs(score, item))}"
