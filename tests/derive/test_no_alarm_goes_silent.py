"""No line of *now* goes silent because more is recorded, and none is told later because something is worse.

By search over any exam: a further finding, of whatever kind, is no answer to an alarm but where it is of the very
thing that was asked for and not recorded. Each reading counts by itself: a second one takes nothing away either.
"""

from __future__ import annotations

from datetime import timedelta
from itertools import islice, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rule_cases import CASES
from rule_cases.words import Case, exams_of
from scenes import CATALOGUE, read, rules_held, said, scene, tells, with_all_rules_on
from test_search import RANKS, finding_of, samples

from adapter.derive import judged_findings, series_list, tell_list
from adapter.exam import Exam, Finding, Quantity, Status, Urgency
from drawn import EXAMPLES, drawn
from strategies import exams

ALL_ON = with_all_rules_on()
THOROUGH = settings.default is not None and settings.default.max_examples > EXAMPLES
ASKED_FOR = {
    rule.id: {leaf.item for leaf in rule.when.leaves() if leaf.not_recorded or leaf.never}
    for rule in CATALOGUE.rules.values()
}
"""Of each rule the items whose absence it tells: recorded, they are its answer."""


Told = tuple[Urgency, str, frozenset[object]]


def _told(exam: Exam) -> list[Told]:
    """Each line: how soon, by which rule, and the findings that it stands for."""
    computed, pool = judged_findings(exam, CATALOGUE)
    return [
        (line.urgency, line.rule, frozenset(repr((pool[n].finding, n < len(exam.findings))) for n in line.rests_on))
        for line in tell_list(exam, computed, CATALOGUE, pool)
    ]


def _still_told(line: Told, after: list[Told]) -> bool:
    """By itself, or within a line as urgent that stands for one of the same findings."""
    urgency, rule, rests_on = line
    return any(
        RANKS.index(other) >= RANKS.index(urgency) and (other_rule == rule or rests_on & others)
        for other, other_rule, others in after
    )


@drawn(16)
@given(exams(CATALOGUE, min_items=1, max_items=10), exams(CATALOGUE, min_items=1, max_items=5))
def test_a_further_finding_takes_no_line_of_now_or_of_this_shift_away(exam: Exam, more: Exam) -> None:
    held = {finding.item for finding in exam.findings}
    before = [line for line in _told(exam) if line[0] in (Urgency.TELL_NOW, Urgency.TELL_SOON)]
    for further in more.findings:
        if further.item in held:
            continue
        now = further.model_copy(update={"observed_at": None})
        after = _told(exam.model_copy(update={"findings": (*exam.findings, now)}))
        for line in before:
            assert further.item in ASKED_FOR.get(line[1], ()) or _still_told(line, after), (line, further)


@drawn(16)
@given(exams(CATALOGUE, min_items=1, max_items=14), st.data())
def test_a_second_reading_takes_no_line_of_now_away(exam: Exam, data: st.DataObject) -> None:
    """Measured again it is another finding beside the first; a screen alone is answered by its next attempt."""
    before = [line for line in _told(exam) if line[0] is Urgency.TELL_NOW]
    measured = [f for f in exam.findings if isinstance(f.value, Quantity) and f.value.comparator is None]
    if not measured:
        return
    one = data.draw(st.sampled_from(measured))
    item = CATALOGUE.items[one.item]
    number = data.draw(st.sampled_from(samples(item, None)))
    again = one.model_copy(update={"value": Quantity(value=number, unit=item.unit or "1"), "urgency": None})
    after = _told(exam.model_copy(update={"findings": (*exam.findings, again)}))
    for line in before:
        assert _still_told(line, after), (line, again)


@drawn(24)
@given(exams(CATALOGUE, min_items=1, max_items=8), exams(CATALOGUE, min_items=0, max_items=8))
def test_a_later_exam_has_every_line_of_now_or_says_what_became_of_it(first: Exam, other: Exam) -> None:
    """As it is or worse, resolved, not judged, not looked at again; or within a line as urgent of the same place."""
    if first.details.status is not Status.FINAL:
        return
    hours = timedelta(hours=6)
    details = first.details.model_copy(
        update={"id": "later", "started": first.details.started + hours, "ended": None, "recorded": None}
    )
    found = tuple(f.model_copy(update={"observed_at": None}) for f in other.findings)
    later = first.model_copy(update={"details": details, "findings": found, "told": ()})
    lines = series_list([first], later, CATALOGUE)
    pool = judged_findings(later, CATALOGUE, [first])[1]
    places = {(one.line.item.id, one.line.side) for one in lines}
    places |= {(pool[n].item.id, pool[n].finding.side) for one in lines if not one.past for n in one.line.rests_on}
    rules = {one.line.rule for one in lines}
    for line in tells(first):
        if line.urgency is Urgency.TELL_NOW:
            assert (line.item.id, line.side) in places or line.rule in rules, line


def _over_exams(rule: str, given: Case) -> bool:
    """Whether it takes several readings or exams; a loss of weight is worked out anew from a further weight."""
    findings, more = given
    several = "before" in more or any(one.observed_at is not None for one in findings)
    return several and rule not in ("dehydration", "feeding_failure_with_jaundice")


@pytest.mark.parametrize(
    ("rule", "given"), [(rule, one) for rule, (fires, _) in CASES.items() for one in fires if _over_exams(rule, one)]
)
def test_no_count_and_no_change_is_taken_back_by_a_further_reading(rule: str, given: Case) -> None:
    """Whatever else is measured at the same moment, before, between or after, in this exam or an earlier one; and a
    later exam still has the line, or says what became of it."""
    exam, earlier = exams_of(given)
    items = {f.item: f for f in exam.findings}
    further = [
        finding_of(CATALOGUE.items[item], None, value, f.site).model_copy(update={"observed_at": f.observed_at})
        for item, f in items.items()
        if isinstance(f.value, Quantity)
        for value in samples(CATALOGUE.items[item], None)[1::3]
    ]
    further += [said(item, a.id, side=f.side) for item, f in items.items() for a in CATALOGUE.items[item].answers]
    started = exam.details.started
    further = [one for one in further if one.item not in ASKED_FOR[rule]]
    for more, back in product(further, (None, timedelta(0), timedelta(minutes=30), timedelta(days=2))):
        at = more if back is None else more.model_copy(update={"observed_at": started - back})
        here = exam.model_copy(update={"findings": (*exam.findings, at)})
        assert rule in rules_held(here, ALL_ON, earlier), at
        if back:
            details = exam.details.model_copy(update={"id": "between", "started": started - back})
            between = exam.model_copy(update={"details": details, "findings": (more,)})
            assert rule in rules_held(exam, ALL_ON, [*earlier, between]), at
    says_it = {rule, *(other.id for other in ALL_ON.rules.values() if rule in other.replaces)}
    later = exam.details.model_copy(update={"id": "later", "started": started + timedelta(hours=3)})
    for found in ((), *((more,) for more in further)):
        lines = series_list([*earlier, exam], exam.model_copy(update={"details": later, "findings": found}), ALL_ON)
        assert says_it & {one.line.rule for one in lines}, found


WORSE = [  # of each number, from well to ill, in an infant otherwise alike
    ("oxygen_saturation", "%", "right_hand", (97, 94, 92, 89, 80)),
    ("temperature", "Cel", "axilla", (37, 36.4, 35.9, 34)),
    ("temperature", "Cel", "rectum", (37, 37.8, 38, 40)),
    ("temperature", "Cel", "skin_probe", (37, 37.8, 38, 40)),
    ("heart_rate", "/min", None, (130, 165, 185, 195, 230)),
    ("heart_rate", "/min", None, (130, 99, 85, 75, 60)),
    ("respiratory_rate", "/min", None, (44, 62, 72, 85)),
    ("glucose", "mg/dL", None, (60, 44, 38, 30, 20)),
    ("capillary_refill_time", "s", "sternum", (2, 3, 4, 6)),
    ("serum_bilirubin", "mg/dL", None, (13, 21, 27, 40)),
]
BESIDE: list[tuple[Finding, ...]] = [
    (),
    (said("respiratory_support", "low_flow_oxygen"),),
    (read("inspired_oxygen", "40", "%"),),
    (said("grunting", "stethoscope_only"), said("alertness", "lethargic")),
]


@pytest.mark.parametrize(("item", "unit", "site", "values"), WORSE)
def test_a_worse_number_is_told_no_later_by_the_whole_list(
    item: str, unit: str, site: str | None, values: tuple[float, ...]
) -> None:
    """In every state, age and gestation, in air and in added oxygen, alone and beside other signs."""
    states = [None, *CATALOGUE.states] if CATALOGUE.items[item].states else [None]
    infants = product(states, ("0.1", "1", "5", "30", "100"), (32, 36, 39, None), BESIDE)
    for state, hours, weeks, beside in islice(infants, 0, None, 1 if THOROUGH else 17):
        ranks = []
        for value in values:
            finding = read(item, str(value), unit, site=site, state=state)
            lines = tells(scene(finding, *beside, hours=hours, weeks=weeks))
            ranks.append([max((RANKS.index(x.urgency) for x in lines if 0 in x.rests_on), default=0)])
        assert ranks == sorted(ranks), (state, hours, weeks, beside, ranks)
