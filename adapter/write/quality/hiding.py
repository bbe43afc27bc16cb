"""What may be shown of the counts: no group and no cell under a minimum, nor one that the others give away.

Primary suppression by a threshold, secondary by hiding the next smallest cells of the same line until what is hidden
together reaches the threshold (the threshold rule and complementary suppression of statistical disclosure control, as
Hundepool et al., Statistical Disclosure Control, 2012, describe them; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping


def may_show(count: int, of: int, least: int) -> bool:
    """Whether neither the whole, nor a count, nor what is left is small; none and all may be shown."""
    return of >= least and (count == 0 or count >= least) and (of == count or of - count >= least)


def hidden_together(counts: Mapping[str, int], small: set[str], least: int) -> set[str]:
    """The cells to hide of a line whose sum is known: those that are small, and the next smallest until the hidden
    ones are at least two and together not small."""
    hidden = set(small)
    rest = sorted((count, value) for value, count in counts.items() if value not in hidden)
    while hidden and rest and (len(hidden) < 2 or sum(counts[value] for value in hidden) < least):
        hidden.add(rest.pop(0)[1])
    return hidden
