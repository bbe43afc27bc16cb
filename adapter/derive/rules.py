"""Which rules hold in an exam: the conditions of ``rules.yaml``, compiled to steps and run."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from adapter.catalogue import Catalogue, Flag, Meaning, Rule
from adapter.derive.compiled import Step, compiled
from adapter.derive.finding import FindingView, facts
from adapter.derive.judgement import judge
from adapter.derive.machine import Condition, Scene, condition
from adapter.derive.made import Computed, Earlier, Maker
from adapter.derive.makers import by_rule
from adapter.derive.sieve import Sieve
from adapter.derive.unjudged import of_earlier
from adapter.exam import Exam, Finding, Urgency


def rule_findings(
    exam: Exam, pool: Sequence[FindingView], catalogue: Catalogue, earlier: Sequence[Exam] = ()
) -> list[Computed]:
    """A finding for every rule that is on and holds, with the findings it holds by, in the order of the rules.

    What lasts (an item's ``lasting``: a risk from the mother, the family's history) holds in later exams too; of what
    else earlier exams found, a rule asks where it says so.
    """
    before = of_earlier(earlier, catalogue, _asked_over(catalogue)) if earlier else []
    views = list(_earlier_views(before, earlier, exam, pool, catalogue))
    evidence = [*pool, *(view for view in views if view.item.lasting)] if views else pool
    rules = _rules(catalogue)
    sifted = rules.sieve.sifted(evidence)
    scene = Scene(exam, evidence, views, sifted)
    held = [(rule, found) for rule in rules.that_may_hold(sifted) if (found := rule.condition(scene)) is not None]
    replaced = {other for rule, _ in held for other in rule.replaces}
    return [
        Computed(
            finding=rule.finding,
            derived_from=tuple(index for index in sorted(found) if index < len(pool)),
            earlier=tuple(before[index - len(pool)] for index in sorted(found) if index >= len(pool)),
            maker=rule.maker,
            urgency=rule.urgency,
            meaning=Meaning.ABNORMAL,
            flag=Flag.ABNORMAL,
            reason=rule.reason,
            replaced=rule.maker.id in replaced,
        )
        for rule, found in held
    ]


def _earlier_views(
    before: Sequence[Earlier], earlier: Sequence[Exam], exam: Exam, pool: Sequence[FindingView], catalogue: Catalogue
) -> Iterator[FindingView]:
    """What was found before, judged by what its own exam says besides and by what is known of the newborn now."""
    exams = {one.details.id: one.model_copy(update={"newborn": exam.newborn}) for one in earlier}
    shared = {name: facts(one, catalogue) for name, one in exams.items()}
    for index, one in enumerate(before, start=len(pool)):
        item = catalogue.items[one.finding.item]
        skipped = one.finding.not_examined is not None
        judged = None if skipped else judge(one.finding, item, exams[one.exam], catalogue)
        yield FindingView(index, one.finding, item, judged, shared[one.exam])


@lru_cache(maxsize=16)
def _asked_over(catalogue: Catalogue) -> frozenset[str]:
    """The items of which earlier exams count: what lasts, and what a rule asks over the exams."""
    asked = {leaf.item or "" for rule in catalogue.rules.values() if rule.on for leaf in rule.when.asked_over_exams()}
    return frozenset(asked | {item.id for item in catalogue.items.values() if item.lasting})


@dataclass(frozen=True, slots=True)
class _Rule:
    """A rule that is on: its condition as a function, and what is found where it holds."""

    condition: Condition
    finding: Finding
    maker: Maker
    urgency: Urgency
    reason: str
    replaces: tuple[str, ...]


class _Rules:
    """The rules that are on, in their order, the sieve of their leaves, and which leaves lead to which rules."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.sieve = Sieve(catalogue)
        self._rules: list[_Rule] = []
        self._always: list[int] = []
        self._led_to: dict[object, list[int]] = {}
        for number, row in enumerate(compiled(catalogue).rules):
            self._rules.append(self._rule(row["steps"], catalogue.rules[row["id"]], catalogue))
            leaves = self.sieve.needed(row["steps"])
            for leaf in leaves or ():
                self._led_to.setdefault(leaf, []).append(number)
            if leaves is None:
                self._always.append(number)

    def _rule(self, steps: Sequence[Step], rule: Rule, catalogue: Catalogue) -> _Rule:
        return _Rule(
            condition=condition(steps, catalogue, self.sieve.condition),
            finding=Finding(item="cross_finding", text=rule.label),
            maker=by_rule(rule, catalogue),
            urgency=rule.urgency,
            reason=rule.reason,
            replaces=rule.replaces,
        )

    def that_may_hold(self, sifted: Iterable[object]) -> Iterator[_Rule]:
        """The rules that these leaves lead to, and those that may hold without any, in their order."""
        numbers = {*self._always}
        for leaf in sifted:
            numbers.update(self._led_to.get(leaf, ()))
        return (self._rules[number] for number in sorted(numbers))


@lru_cache(maxsize=16)
def _rules(catalogue: Catalogue) -> _Rules:
    return _Rules(catalogue)
