"""What the provider must be told: every finding and every gap that the catalogue or the examiner marks."""

from __future__ import annotations

from dataclasses import dataclass

from adapter.catalogue import Catalogue, Item
from adapter.derive.computed import Computed
from adapter.derive.judgement import judge, worst
from adapter.exam import At, Exam, Finding, Quantities, Score, Urgency


@dataclass(frozen=True, slots=True)
class Tell:
    """One line of the tell list."""

    urgency: Urgency
    item: Item
    finding: Finding
    words: str


def tell_list(exam: Exam, computed: tuple[Computed, ...], catalogue: Catalogue) -> tuple[Tell, ...]:
    """What must be told, most urgent first, then in exam order.

    It is a list for a licensed person, not a diagnosis; an empty list does not mean that all is well.
    """
    lines = []
    for finding, exact in [(f, None) for f in exam.findings] + [(c.finding, c.exact) for c in computed]:
        item = catalogue.items[finding.item]
        if finding.not_examined is not None:
            urgency = _gap_urgency(finding, item)
        else:
            judged = judge(finding, item, exam, catalogue, exact)
            urgency = judged.urgency if judged else Urgency.NONE
        if urgency is not Urgency.NONE:
            lines.append(Tell(urgency, item, finding, in_words(finding, item, catalogue)))
    return tuple(sorted(lines, key=lambda t: (t.urgency is not Urgency.TELL_NOW, t.item.position)))


def _gap_urgency(finding: Finding, item: Item) -> Urgency:
    told = {"any", finding.not_examined} & set(item.tell_when_not_examined)
    return worst(finding.urgency, Urgency.TELL if told else None)


def in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    """One finding in words: ``Femoral pulse, left: weak``."""
    where = [side] if (side := finding.side and finding.side.value) else []
    if finding.site:
        where.append(catalogue.sites[finding.site].label.lower())
    return f"{', '.join([item.label, *where])}: {_value_in_words(finding, item, catalogue)}"


def _value_in_words(finding: Finding, item: Item, catalogue: Catalogue) -> str:
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
        return f"total {value.total}" if value.total is not None else f"{len(value.signs)} signs"
    if isinstance(value, At):
        return value.time.isoformat(timespec="minutes")
    return str(value)
