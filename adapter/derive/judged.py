"""The findings of an exam as rules and writers look at them: captured ones, then computed ones, each judged once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from operator import itemgetter

from adapter.catalogue import Catalogue, Item
from adapter.derive.finding import ExamFacts, FindingView, Kept, facts
from adapter.derive.judgement import Judgement, judge, meanings
from adapter.derive.made import Computed, Withheld
from adapter.exam import Exam, Finding, Urgency

_OF_ITSELF = ("text", "note", "counted_seconds")
"""What one finding alone says: of its form no more than that it does."""
OF_FORM = tuple(name for name in Finding.model_fields if name not in (*_OF_ITSELF, "observed_at"))
"""All else that a finding can say but when it was found."""
_of_form, _of_itself = itemgetter(*OF_FORM), itemgetter(*_OF_ITSELF)
_NOTHING = (None,) * len(_OF_ITSELF)
MOST_KEPT = 10_000


def finding_views(exam: Exam, computed: Sequence[Computed], catalogue: Catalogue) -> list[FindingView]:
    """The captured findings in their order, then the computed ones in theirs."""
    shared = facts(exam, catalogue)
    found = captured_views(shared)
    if catalogue.hours:
        found = judged_by_tables(found, computed, catalogue)
    return [*found, *computed_views(shared, computed, len(found))]


def captured_views(shared: ExamFacts) -> list[FindingView]:
    """What was captured, each finding judged once; an answer that is true of any infant, what was answered in words,
    and what was not examined, once for all findings that say the same."""
    known = _known(shared.catalogue, shared.status)
    found = []
    for index, finding in enumerate(shared.exam.findings):
        fields = finding.__dict__  # a model's attributes are slow to reach one by one
        value, same = fields["value"], None
        if value is None or type(value) is str:
            said = (_of_form(fields), _of_itself(fields) == _NOTHING)
            same = known.get(said) or _keep(said, finding, shared, known)
        if same is None:
            found.append(_judged(index, finding, shared))
        else:
            view = FindingView(index, finding, same.item, same.judged, shared)
            view.kept = same
            found.append(view)
    return found


@lru_cache(maxsize=64)
def _known(catalogue: Catalogue, status: str) -> dict[tuple[object, ...], Kept]:
    """What is known of findings in exams of this status, by all that they say; of their own words, whether they have
    any."""
    return {}


def _keep(
    said: tuple[object, ...], finding: Finding, shared: ExamFacts, known: dict[tuple[object, ...], Kept]
) -> Kept | None:
    """What is known of a finding from now on; None of an answer that is true of some infants alone, and of words that
    the examiner marked, beside which the range for this infant stands."""
    if finding.answer is not None and (finding.item, finding.answer) not in meanings(shared.catalogue):
        return None
    if finding.text is not None and finding.urgency is not None:
        return None
    view = _judged(0, finding, shared)
    if len(known) >= MOST_KEPT:
        known.clear()
    words = view.words if finding.text is None else None
    same = known[said] = Kept(view.item, view.judged, view.form, words)
    return same


def _judged(index: int, finding: Finding, shared: ExamFacts) -> FindingView:
    fields, item = finding.__dict__, shared.catalogue.items[finding.__dict__["item"]]
    in_words = fields["value"] is None and fields["urgency"] is None
    judged = None
    if fields["not_examined"] is None and not in_words:
        judged = judge(finding, item, shared.exam, shared.catalogue)
    return FindingView(index, finding, item, judged, shared)


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
