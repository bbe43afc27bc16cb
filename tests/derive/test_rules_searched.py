"""Every rule in every way in which it can hold, each way a step beside and with each of its halves missing.

The scenes are made from the rule's own condition (``rule_scenes``); what must come of each is read off its tree by
``rule_trees.Walk``. Cases written by hand from the sources are in ``rule_cases``.
"""

from __future__ import annotations

import pytest
from rule_cases import Case
from rule_cases.words import exams_of
from rule_scenes import case_of, ways
from scenes import tells, with_all_rules_on

from adapter.derive import judged_findings
from adapter.derive.view import ExamView
from adapter.exam import Urgency
from rule_trees import Walk, with_rules

ALL_ON = with_all_rules_on()
BARE = with_rules(ALL_ON, ())
RANKS = list(Urgency)


class Held:
    """Whether the program finds that a rule holds of a scene, which is what its tree says; each worked out once."""

    def __init__(self, rule: str) -> None:
        self.rule, self.known = rule, dict[str, bool]()

    def __call__(self, given: Case) -> bool:
        key = repr(given)
        if key not in self.known:
            self.known[key] = self._held(given)
        return self.known[key]

    def _held(self, given: Case) -> bool:
        exam, earlier = exams_of(given)
        pool = judged_findings(exam, ALL_ON, earlier)[1]
        makers = [one.computed.maker.id if one.computed and one.computed.maker else None for one in pool]
        plain = [one for one, maker in zip(pool, makers, strict=True) if maker not in ALL_ON.rules]
        held = self.rule in makers
        assert held == (
            Walk(exam, plain, BARE, [ExamView(one, BARE) for one in earlier]).holds(ALL_ON.rules[self.rule].when)
            is not None
        ), given
        return held


@pytest.mark.parametrize("rule", list(ALL_ON.rules))
def test_a_rule_in_every_way_a_step_beside_and_with_a_half_missing(rule: str) -> None:
    when, told_as = ALL_ON.rules[rule], {rule, *(o.id for o in ALL_ON.rules.values() if rule in o.replaces)}
    held, fired, beside, missing = Held(rule), 0, 0, 0
    for way in ways(when.when):
        for given in case_of(way):
            assert held(given), given
            fired += 1
            findings, more = given
            exam, earlier = exams_of(given)
            lines = [line for line in tells(exam, ALL_ON, earlier) if line.rule in told_as]
            assert any(RANKS.index(line.urgency) >= RANKS.index(when.urgency) for line in lines), given
            beside += sum(not held(off) for n in range(len(way)) for off in case_of(way, n))
            missing += sum(not held((findings[:n] + findings[n + 1 :], more)) for n in range(len(findings)))
            missing += "before" in more and not held((findings, {**more, "before": {}}))
    assert fired
    assert beside
    assert missing
