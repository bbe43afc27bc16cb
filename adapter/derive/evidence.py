"""Everything on record of one exam, captured and computed, each with its judgement: what rules look at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from adapter.catalogue import Catalogue, Flag, Item, Meaning
from adapter.derive.judgement import Judgement, judge, meanings
from adapter.derive.made import Computed
from adapter.exam import Exam, Finding, Urgency


@dataclass(slots=True)
class Evidence:
    """A finding, its index (captured ones first, then computed), what it means, and its unrounded value.

    Nobody changes one; it is not frozen because one is made for every finding, and that takes three times as long.
    """

    index: int
    finding: Finding
    item: Item
    judged: Judgement | None
    exact: Decimal | None = None
    computed: Computed | None = None


def evidence(exam: Exam, computed: Sequence[Computed], catalogue: Catalogue) -> list[Evidence]:
    """The captured findings in their order, then the computed ones in theirs."""
    found = captured_evidence(exam, catalogue)
    return [*found, *computed_evidence(exam, computed, len(found), catalogue)]


def captured_evidence(exam: Exam, catalogue: Catalogue) -> list[Evidence]:
    """What was captured, each finding judged once."""
    found, items, known = [], catalogue.items, meanings(catalogue)
    for index, finding in enumerate(exam.findings):
        fields = finding.__dict__  # a model's attributes are slow to reach one by one
        item_id, value = fields["item"], fields["value"]
        item = items[item_id]
        if fields["not_examined"] is not None:
            judged = None
        elif type(value) is str and fields["urgency"] is None:
            judged = known.get((item_id, value))
        else:
            judged = judge(finding, item, exam, catalogue)
        found.append(Evidence(index, finding, item, judged))
    return found


def computed_evidence(exam: Exam, computed: Sequence[Computed], first: int, catalogue: Catalogue) -> list[Evidence]:
    """What was computed; ``first`` is the index of the first of it."""
    found = []
    for index, one in enumerate(computed, start=first):
        item = catalogue.items[one.finding.item]
        found.append(Evidence(index, one.finding, item, judge_computed(one, item, exam, catalogue), one.exact, one))
    return found


def judge_computed(one: Computed, item: Item, exam: Exam, catalogue: Catalogue) -> Judgement | None:
    """The judgement on a computed finding: what its rule says, else as on any other."""
    if one.urgency is None:
        return judge(one.finding, item, exam, catalogue, one.exact)
    meaning, flag = (Meaning.ABNORMAL, Flag.ABNORMAL) if one.abnormal else (Meaning.VARIANT, Flag.NORMAL)
    return Judgement(meaning, Urgency.NONE if one.replaced else one.urgency, flag)
