"""Drift: months whose mean lies apart from the median of the other months' means, so that one odd month does not make
the others odd (three standard errors, as the limits of a control chart: Shewhart, Economic Control of Quality of
Manufactured Product, 1931; from memory)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import sqrt
from statistics import median

from adapter.write.quality.checks import Drift


@dataclass(slots=True)
class Sums:
    """How many numbers, their sum and that of their squares, each less ``origin`` so that no digit is lost."""

    origin: float = 0
    count: int = 0
    total: float = 0
    squares: float = 0

    def see(self, number: float) -> None:
        """Take one in."""
        if not self.count:
            self.origin = number
        away = number - self.origin
        self.count, self.total, self.squares = self.count + 1, self.total + away, self.squares + away * away

    @property
    def mean(self) -> float:
        """The mean; of none, 0."""
        return self.origin + self.total / self.count if self.count else 0


@dataclass(frozen=True, slots=True)
class Month:
    """An item's numbers of a month, their ``mean``, and the median of the means of the ``others``; ``told``: they lie
    apart. Both are None where the numbers are too few to be judged."""

    item: str
    month: str
    numbers: int
    mean: float | None = None
    others: float | None = None
    told: bool = False


@dataclass(slots=True)
class Monthly:
    """Sums by item and month."""

    sums: dict[str, dict[str, Sums]] = field(default_factory=dict)

    def see(self, item: str, month: str, number: float) -> None:
        """Take in a number."""
        self.sums.setdefault(item, {}).setdefault(month, Sums()).see(number)


def months(found: Monthly, limits: Drift, least: int) -> Iterator[Month]:
    """Every month of every item that is looked at, in order; none of an item that has numbers of one month alone."""
    fewest = max(limits.fewest, least)
    for item, by in limits.items.items():
        of_item = found.sums.get(item, {})
        judged = {name: one for name, one in of_item.items() if one.count >= fewest}
        for name, one in sorted(of_item.items()) if len(of_item) > 1 else ():
            others = [other for other_name, other in judged.items() if other_name != name]
            if name not in judged or not others:
                yield Month(item, name, one.count)
                continue
            middle = median(other.mean for other in others)
            count = sum(other.count for other in others)
            error = sqrt(_variance([one, *others]) * (1 / one.count + 1 / count))
            apart = abs(one.mean - middle)
            told = apart >= float(by) and apart > float(limits.errors) * error
            yield Month(item, name, one.count, one.mean, middle, told)


def _variance(sums: list[Sums]) -> float:
    """Within the months, pooled."""
    within = sum(one.squares - one.total**2 / one.count for one in sums)
    return max(within, 0) / max(sum(one.count for one in sums) - len(sums), 1)
