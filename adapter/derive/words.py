"""Findings in words, for people."""

from __future__ import annotations

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive.scores import missing_signs, score_total
from adapter.exam import At, Finding, Quantities, Score


def in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """One finding in words: ``Femoral pulse, left: weak``."""
    where = [side] if (side := finding.side and finding.side.value) else []
    if finding.site:
        where.append(catalogue.sites[finding.site].label.lower())
    return f"{', '.join([item.label, *where])}: {value_in_words(finding, item, catalogue)}"


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
        return f"{'/'.join(f'{number:f}' for number in value.components.values())} {value.unit}"
    if isinstance(value, Score):
        return _score(value, item)
    if isinstance(value, At):
        return value.time.isoformat(timespec="minutes")
    return str(value).partition(" {")[0]


def _score(score: Score, item: Item) -> str:
    total = score_total(score, item) if item.type is ItemType.SCORE else score.total
    return f"total {total}" if total is not None else f"no total, without {', '.join(missing_signs(score, item))}"
