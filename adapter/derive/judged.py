"""The findings of an exam as rules and writers look at them: captured ones, then computed ones, each judged once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from adapter.catalogue import Catalogue, Item
from adapter.derive.finding import ExamFacts, FindingView, facts
from adapter.derive.judgement import Judgement, judge, meanings
from adapter.derive.made import Computed, Withheld
from adapter.exam import Exam, Urgency


def finding_views(exam: Exam, computed: Sequence[Computed], catalogue: Catalogue) -> list[FindingView]:
    """The captured findings in their order, then the computed ones in theirs."""
    shared = facts(exam, catalogue)
    found = captured_views(shared)
    if catalogue.hours:
        found = judged_by_tables(found, computed, catalogue)
    return [*found, *computed_views(shared, computed, len(found))]


def captured_views(shared: ExamFacts) -> list[FindingView]:
    """What was captured, each finding judged once."""
    exam, catalogue = shared.exam, shared.catalogue
    found, items, known = [], catalogue.items, meanings(catalogue)
    for index, finding in enumerate(exam.findings):
        fields = finding.__dict__  # a model's attributes are slow to reach one by one
        item_id, value = fields["item"], fields["value"]
        item = items[item_id]
        if fields["not_examined"] is not None:
            judged = None
        elif type(value) is str and fields["urgency"] is None:
            judged = known.get((item_id, value)) or judge(finding, item, exam, catalogue)
        else:
            judged = judge(finding, item, exam, catalogue)
        found.append(FindingView(index, finding, item, judged, shared))
    return found


def computed_views(shared: ExamFacts, computed: Sequence[Computed], first: int) -> list[FindingView]:
    """What was computed; ``first`` is the index of the first of it."""
    found = []
    for index, one in enumerate(computed, start=first):
        item = shared.catalogue.items[one.finding.item]
        judged = _judge_computed(one, item, shared)
        found.append(FindingView(index, one.finding, item, judged, shared, one.exact, one))
    return found


def _judge_computed(one: Computed, item: Item, shared: ExamFacts) -> Judgement | None:
    """The judgement on a computed finding: what its rule says, else as on any other."""
    if one.urgency is None:
        return judge(one.finding, item, shared.exam, shared.catalogue, one.exact)
    return Judgement(one.meaning, Urgency.NONE if one.replaced else one.urgency, one.flag)


def judged_by_tables(
    views: Sequence[FindingView], made: Sequence[Computed | Withheld], catalogue: Catalogue
) -> list[FindingView]:
    """What was captured, with what a site's tables of lines say of it: what no range judged is judged by them."""
    found = list(views)
    for one in made:
        if isinstance(one, Computed) and one.maker is not None and one.maker.id in catalogue.hours:
            view = found[one.derived_from[0]]
            judged = view.judged or Judgement(one.meaning, Urgency.NONE, one.flag)
            found[view.index] = replace(
                view,
                judged=judged,
                of_table=catalogue.words.say("judged.by_table", table=one.maker.said(catalogue.words)),
            )
        elif isinstance(one, Withheld) and one.of is not None:
            found[one.of] = replace(found[one.of], of_table=one.reason)
    return found
