"""Left against right: a difference between the sides is a finding of its own."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from adapter.catalogue import Catalogue, Flag, Meaning
from adapter.derive.completeness import side_of
from adapter.derive.finding import FindingView
from adapter.derive.judgement import worst
from adapter.derive.made import Computed
from adapter.derive.makers import by_sides
from adapter.derive.words import value_in_words
from adapter.exam import Finding, Side


def side_differences(pool: Sequence[FindingView], catalogue: Catalogue) -> list[Computed]:
    """A finding for every item whose sides are compared, that was examined on both, and differs.

    It is as urgent as the more urgent of the sides, and abnormal where one of them is.
    """
    found, compared = [], _compared(catalogue)
    by_item: dict[str, list[FindingView]] = {}
    for one in pool:
        fields = one.finding.__dict__  # a model's attributes are slow to reach one by one
        if fields["item"] in compared and fields["value"] is not None:
            by_item.setdefault(fields["item"], []).append(one)
    for several in by_item.values():
        sides = {
            side: [one for one in several if side_of(one.finding, catalogue) is side]
            for side in (Side.LEFT, Side.RIGHT)
        }
        left, right = sides[Side.LEFT], sides[Side.RIGHT]
        if left and right and _answers(left, catalogue) != _answers(right, catalogue):
            found.append(_difference(left, right, catalogue))
    return found


@lru_cache(maxsize=16)
def _compared(catalogue: Catalogue) -> frozenset[str]:
    return frozenset(item.id for item in catalogue.items.values() if item.compare_sides)


def _answers(side: list[FindingView], catalogue: Catalogue) -> frozenset[str]:
    return frozenset(value_in_words(one.finding, one.item, catalogue) for one in side)


def _said(side: list[FindingView], catalogue: Catalogue) -> str:
    """What was found on a side, within a sentence."""
    answers = {one.answer.inline if one.answer else one.value_words for one in side}
    return catalogue.words.listed(sorted(answers))


def _difference(left: list[FindingView], right: list[FindingView], catalogue: Catalogue) -> Computed:
    item, both = left[0].item, [*left, *right]
    said = {name: _said(side, catalogue) for name, side in (("left", left), ("right", right))}
    known = [one.judged for one in both if one.judged is not None]
    abnormal = any(judged.meaning is Meaning.ABNORMAL for judged in known)
    return Computed(
        finding=Finding(item="side_difference", text=catalogue.words.say("judged.sides", item=item.label, **said)),
        derived_from=tuple(one.index for one in both),
        maker=by_sides(item, catalogue),
        urgency=worst(*(judged.urgency for judged in known)),
        meaning=Meaning.ABNORMAL if abnormal else Meaning.VARIANT,
        flag=Flag.ABNORMAL if abnormal else Flag.NORMAL,
        reason=catalogue.words.say("judged.sides_differ"),
    )
