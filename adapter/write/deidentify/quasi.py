"""Quasi-identifiers: what tells nobody's name, and still picks out few where it comes together; and who shares it.

k-anonymity: every combination of quasi-identifiers is shared by at least k newborns (Sweeney, 2002).
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal

from adapter.catalogue import Catalogue
from adapter.derive.size import measured
from adapter.exam import Exam

_BAND = 500


def _weight_band(exam: Exam, catalogue: Catalogue) -> str:
    found = measured(exam, "birth_weight", "g", catalogue)
    if found is None:
        return ""
    low = int(found[1] // Decimal(_BAND)) * _BAND
    return f"{low}-{low + _BAND - 1} g"


def _order(exam: Exam, part: str) -> str:
    order = exam.newborn.birth_order
    return str(getattr(order, part) or "") if order else ""


QUASI_IDENTIFIERS: dict[str, Callable[[Exam, Catalogue], str]] = {
    "birth_year": lambda exam, _: str(exam.newborn.birth_time.year),
    "sex": lambda exam, _: exam.newborn.sex.value,
    "gestation_weeks": lambda exam, _: str(exam.newborn.gestation.weeks) if exam.newborn.gestation else "",
    "birth_order": lambda exam, _: _order(exam, "order"),
    "born_of": lambda exam, _: _order(exam, "of"),
    "birth_weight_band": _weight_band,
    "exam_kind": lambda exam, _: exam.details.kind,
}
"""By name: the value of an exam as text; empty where it is not known."""


class Cells:
    """How many newborns share each combination; each newborn counts once. Kept on the disk.

    Where exams of one newborn give different combinations, that of its first exam in the order of ``rank`` counts.
    """

    def __init__(self, names: Sequence[str], k: int) -> None:
        self.names, self.k = tuple(names), k
        self._base = sqlite3.connect("")
        self._base.execute("create table newborn (name text primary key, rank text, cell text) without rowid")

    def see(self, newborn: str, rank: str, cell: Sequence[str]) -> None:
        """Count a newborn by one of its exams."""
        self._base.execute(_FIRST, (newborn, rank, json.dumps(cell)))

    @property
    def counts(self) -> Counter[tuple[str, ...]]:
        """The newborns of each combination."""
        found = self._base.execute("select cell, count(*) from newborn group by cell")
        return Counter({tuple(json.loads(cell)): count for cell, count in found})

    def rare_newborns(self) -> Iterator[str]:
        """Those that share their combination with fewer than k in all."""
        yield from (name for (name,) in self._base.execute(_RARE, (self.k,)))

    def take_out(self, newborn: str) -> None:
        """The newborn is not in the extract."""
        self._base.execute("delete from newborn where name = ?", (newborn,))

    @property
    def smallest(self) -> int:
        """The k that the newborns have: the size of the smallest cell; 0 where there are none."""
        return min(self.counts.values(), default=0)

    @property
    def rare(self) -> int:
        """How many newborns share their combination with fewer than k in all."""
        return sum(count for count in self.counts.values() if count < self.k)

    def rows(self) -> Iterator[tuple[str, ...]]:
        """Each combination with its count and whether it is rare; the smallest first."""
        for values, count in sorted(self.counts.items(), key=lambda cell: (cell[1], cell[0])):
            yield (*values, str(count), "yes" if count < self.k else "")


_FIRST = """
insert into newborn values (?, ?, ?)
on conflict (name) do update set rank = excluded.rank, cell = excluded.cell where excluded.rank < newborn.rank
"""
_RARE = """
select name from newborn where cell in (select cell from newborn group by cell having count(*) < ?) order by name
"""
