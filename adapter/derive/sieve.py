"""Which leaves of the rules a finding may satisfy: asked of all leaves of its item at once, and kept by its form.

What a leaf asks of a finding's answer, judgement, side or place is the same of all findings of one form; what it asks
of the infant, of a time or of a number is asked anew each time. So a rule begins with the few findings by which it
may hold, and of a finding that no rule can hold by, that is all that is asked.
"""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.derive.compiled import Step
from adapter.derive.compiled import Test as RawTest
from adapter.derive.finding import FindingView, Kept
from adapter.derive.judged import MOST_KEPT, OF_FORM
from adapter.derive.judgement import Judgement
from adapter.derive.machine import Condition, Held, Scene, every, meets

_OF_FORM = {*(f"finding.{name}" for name in OF_FORM), *(f"judged.{name}" for name in Judgement._fields)}
"""The fields that are the same of all findings whose form is kept."""
_OF_CATALOGUE = ("item.", "site.")


class Sieve:
    """The leaves of the rules of a catalogue; one that stands in several rules is one."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._leaves: dict[str, Leaf] = {}
        self._of_item: dict[str, list[Leaf]] = {item: [] for item in catalogue.items}
        self._kept: dict[Kept, tuple[Leaf, ...]] = {}

    def condition(self, item: str, tests: Sequence[RawTest]) -> Condition:
        """The step *find* as a condition of a scene that was sifted."""
        return self._leaf(item, tests).held

    def needed(self, steps: Sequence[Step]) -> frozenset[Leaf] | None:
        """Leaves of which at least one must hold for a rule to hold, of this exam or of earlier ones; None where it
        may hold without any."""
        stack: list[frozenset[Leaf] | None] = []
        for op, *asked in steps:
            if op == "some":
                wanted, of = asked
                parts = stack[-of:]
                del stack[-of:]
                known = sorted((part for part in parts if part is not None), key=len)
                enough = of - wanted + 1  # where so many parts do not hold, too few are left
                stack.append(frozenset().union(*known[:enough]) if len(known) >= enough else None)
            elif op == "over":
                stack.append(self.needed(asked[2]))
            else:
                stack.append(frozenset({self._leaf(*asked)}) if op == "find" else None)
        (whole,) = stack
        return whole

    def _leaf(self, item: str, tests: Sequence[RawTest]) -> Leaf:
        """The leaf of an item (``""``: of every item) with these tests."""
        name = repr((item, tests))
        leaf = self._leaves.get(name)
        if leaf is None:
            leaf = self._leaves[name] = Leaf(tests, self._catalogue)
            for one in [item] if item else [*self._of_item]:
                self._of_item[one].append(leaf)
        return leaf

    def sifted(self, pool: Sequence[FindingView]) -> dict[object, list[FindingView]]:
        """The findings that each leaf may hold by, in their order."""
        found: dict[object, list[FindingView]] = {}
        kept = self._kept
        for one in pool:
            same = one.kept
            passing = None if same is None else kept.get(same)
            if passing is None:
                passing = self._passing(one)
                if same is not None:
                    self._keep(same, passing)
            for leaf in passing:
                found.setdefault(leaf, []).append(one)
        return found

    def _keep(self, same: Kept, passing: tuple[Leaf, ...]) -> None:
        if len(self._kept) >= MOST_KEPT:
            self._kept.clear()
        self._kept[same] = passing

    def _passing(self, one: FindingView) -> tuple[Leaf, ...]:
        exam = one.facts.exam
        return tuple([leaf for leaf in self._of_item[one.item.id] if meets(leaf.of_form, one, exam)])


class Leaf:
    """What one leaf asks: ``of_form`` what is the same of all findings of a form, ``rest`` all else."""

    __slots__ = ("of_form", "rest")

    def __init__(self, tests: Sequence[RawTest], catalogue: Catalogue) -> None:
        self.of_form = every([test for test in tests if _is_of_form(test)], catalogue)
        self.rest = every([test for test in tests if not _is_of_form(test)], catalogue)

    def held(self, scene: Scene) -> Held:
        """The findings that pass all of it."""
        found = scene.sifted.get(self)
        if found is None:
            return None
        rest = self.rest
        held = frozenset([one.index for one in found if rest is None or meets(rest, one, scene.exam)])
        return held or None


def _is_of_form(test: RawTest) -> bool:
    op, field, *_ = test
    return op in ("in", "out") and all(
        path in _OF_FORM or path.startswith(_OF_CATALOGUE) for path in field.split("|")
    )
