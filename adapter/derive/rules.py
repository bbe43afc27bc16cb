"""Which rules hold in an exam: the conditions of ``rules.yaml``, compiled to steps and run."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from adapter.catalogue import Catalogue, Flag, Meaning, Rule
from adapter.derive.attempts import attempts
from adapter.derive.compiled import Step, compiled
from adapter.derive.finding import FindingView, facts
from adapter.derive.judgement import judge
from adapter.derive.machine import Condition, Scene, condition
from adapter.derive.made import Computed, Earlier, Maker
from adapter.derive.makers import by_rule
from adapter.derive.sieve import Sieve
from adapter.derive.unjudged import at_its_time, of_earlier
from adapter.exam import Exam, Finding, Urgency


def rule_findings(
    exam: Exam, pool: Sequence[FindingView], catalogue: Catalogue, earlier: Sequence[Exam] = ()
) -> list[Computed]:
    """A finding for every rule that is on and holds, with the findings it holds by, in the order of the rules.

    What lasts (an item's ``lasting``: a risk from the mother, the birth weight) holds in later exams too; of what
    else earlier exams found, a rule asks where it says so. What was worked out in an earlier exam counts as it was
    then, and the rule rests on what it was worked out from.
    """
    before = [*_before(earlier, exam, len(pool), catalogue)]
    views = [view for view, _ in before]
    evidence = [*pool, *(view for view in views if view.item.lasting)] if views else pool
    rules = _rules(catalogue)
    sifted = rules.sieve.sifted(evidence)
    scene = Scene(exam, evidence, views, sifted)
    may_hold = rules.that_may_hold(sifted if not views else {*sifted, *rules.sieve.sifted(views)})
    held = [(rule, found) for rule in may_hold if (found := rule.condition(scene)) is not None]
    replaced = {other for rule, _ in held for other in rule.replaces}
    return [
        Computed(
            finding=rule.finding,
            derived_from=tuple(index for index in sorted(found) if index < len(pool)),
            earlier=_once(before[index - len(pool)][1] for index in sorted(found) if index >= len(pool)),
            maker=rule.maker,
            urgency=rule.urgency,
            meaning=Meaning.ABNORMAL,
            flag=Flag.ABNORMAL,
            reason=rule.reason,
            replaced=rule.maker.id in replaced,
        )
        for rule, found in held
    ]


def _before(
    earlier: Sequence[Exam], exam: Exam, first: int, catalogue: Catalogue
) -> Iterator[tuple[FindingView, tuple[Earlier, ...]]]:
    """What was found before of the items that rules ask of, judged by what its own exam says besides and by what is
    known of the newborn now, and the captured findings that it is or was worked out from. Exam by exam, what was
    captured first."""
    asked, exams, index = _asked_over(catalogue), list[Exam](), first
    for one in earlier:
        was = one.model_copy(update={"newborn": exam.newborn})
        shared, found = facts(was, catalogue), list[tuple[Finding, Decimal | None, tuple[Earlier, ...]]]()
        found += [(known.finding, None, (known,)) for known in of_earlier([was], catalogue, asked)]
        for made in attempts(was, catalogue, exams):
            if isinstance(made, Computed) and made.finding.item in asked:
                own = (at_its_time(was, n, catalogue) for n in made.derived_from)
                finding = made.finding.model_copy(
                    update={"observed_at": made.finding.observed_at or was.details.started}
                )
                found.append((finding, made.exact, (*own, *made.earlier)))
        exams.append(was)
        for finding, exact, rests_on in found:
            item = catalogue.items[finding.item]
            judged = None if finding.not_examined else judge(finding, item, was, catalogue, exact)
            yield FindingView(index, finding, item, judged, shared, exact), rests_on
            index += 1


def _once(found: Iterable[tuple[Earlier, ...]]) -> tuple[Earlier, ...]:
    """All findings of earlier exams, each once."""
    return tuple({(one.exam, one.number): one for some in found for one in some}.values())


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
