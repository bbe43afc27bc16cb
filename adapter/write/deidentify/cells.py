"""Who shares a combination of quasi-identifiers, and how different they are in what is sensitive.

k-anonymity: every combination is shared by at least k newborns (Sweeney, k-anonymity: a model for protecting privacy,
2002). Distinct l-diversity: among those who share one are at least l different values of each sensitive attribute
(Machanavajjhala et al., l-Diversity: Privacy Beyond k-Anonymity, 2007). Where nobody of them has a value that tells
anything, nothing is learned and l is not asked for, as their "don't-care" sets allow (from memory).
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence

Answers = tuple[str, ...]


class Cells:
    """The newborns of each combination; each newborn counts once. Kept on the disk.

    What its exams say differently (a gestation that one has and another lacks, or that was corrected) is all in the
    extract, so all of it is in the newborn's combination; what is sensitive is gathered over all of them too.
    ``l`` of ``sensitive`` attributes is not asked for where it is 1.
    """

    def __init__(self, names: Sequence[str], k: int, l: int = 1, sensitive: Sequence[str] = ()) -> None:  # noqa: E741
        self.names, self.k, self.l, self.sensitive = tuple(names), k, l, tuple(sensitive)
        self._base = sqlite3.connect("")
        self._base.executescript(_TABLES)

    def see(self, newborn: str, cell: Sequence[str], told: Sequence[Answers] = ()) -> None:
        """Count a newborn by one of its exams; ``told`` are its answers to each sensitive attribute."""
        known = self._base.execute("select cell from newborn where name = ?", (newborn,)).fetchone()
        values = json.dumps(list(cell) if known is None else list(map(_both, json.loads(known[0]), cell)))
        self._base.execute("insert or replace into newborn values (?, ?)", (newborn, values))
        for place, answers in enumerate(told):
            rows = ((newborn, place, answer) for answer in answers)
            self._base.executemany("insert or ignore into told values (?, ?, ?)", rows)

    @property
    def counts(self) -> Counter[tuple[str, ...]]:
        """The newborns of each combination."""
        found = self._base.execute("select cell, count(*) from newborn group by cell")
        return Counter({tuple(json.loads(cell)): count for cell, count in found})

    @property
    def diversity(self) -> dict[tuple[str, ...], int]:
        """By combination, how many different values its least diverse sensitive attribute has, where that matters."""
        found: dict[tuple[str, ...], int] = {}
        for cell, values in self._base.execute(_DIVERSITY):
            key = tuple(json.loads(cell))
            found[key] = min(found.get(key, values), values)
        return found

    def rare_newborns(self) -> Iterator[str]:
        """Those that share their combination with fewer than k in all, or with too little difference among them."""
        diversity = self.diversity
        for cell, count in self.counts.items():
            if self._fails(cell, count, diversity):
                query = "select name from newborn where cell = ? order by name"
                yield from (name for (name,) in self._base.execute(query, (json.dumps(cell),)))

    def _fails(self, cell: tuple[str, ...], count: int, diversity: dict[tuple[str, ...], int]) -> bool:
        return count < self.k or diversity.get(cell, self.l) < self.l

    def suppress(self, order: Sequence[str]) -> dict[str, tuple[str, ...]]:
        """Take quasi-identifiers out of rare newborns, one after the other; which of whom."""
        taken: dict[str, tuple[str, ...]] = {}
        for name in order:
            place = self.names.index(name)
            for newborn in list(self.rare_newborns()):
                (cell,) = self._base.execute("select cell from newborn where name = ?", (newborn,)).fetchone()
                values = json.loads(cell)
                if not values[place]:
                    continue
                taken[newborn] = (*taken.get(newborn, ()), name)
                values[place] = ""
                self._base.execute("update newborn set cell = ? where name = ?", (json.dumps(values), newborn))
        return taken

    def take_out(self, newborn: str) -> None:
        """The newborn is not in the extract."""
        self._base.execute("delete from newborn where name = ?", (newborn,))

    @property
    def smallest(self) -> int:
        """The k that the newborns have: the size of the smallest cell; 0 where there are none."""
        return min(self.counts.values(), default=0)

    @property
    def least_diverse(self) -> int | None:
        """The l that they have; None where no combination has anything sensitive that tells something."""
        return min(self.diversity.values(), default=None)

    @property
    def rare(self) -> int:
        """How many newborns are rare: see :meth:`rare_newborns`."""
        diversity = self.diversity
        return sum(count for cell, count in self.counts.items() if self._fails(cell, count, diversity))

    def rows(self) -> Iterator[tuple[str, ...]]:
        """Each combination with its count and whether it is rare; the smallest first."""
        diversity = self.diversity
        for values, count in sorted(self.counts.items(), key=lambda cell: (cell[1], cell[0])):
            yield (*values, str(count), "yes" if self._fails(values, count, diversity) else "")


def _both(known: str, new: str) -> str:
    """All values that the exams of a newborn have of one quasi-identifier; what none has is empty."""
    return ";".join(sorted({*known.split(";"), new} - {""}))


_TABLES = """
create table newborn (name text primary key, cell text) without rowid;
create index by_cell on newborn (cell);
create table told (newborn text, place integer, answer text, primary key (newborn, place, answer)) without rowid;
"""
_DIVERSITY = """
with valued as (
  select n.cell, p.place, n.name,
         (select group_concat(answer, ';') from
           (select answer from told t where t.newborn = n.name and t.place = p.place order by answer)) as value
  from newborn n cross join (select distinct place from told) p
)
select cell, count(distinct coalesce(value, '')) from valued
group by cell, place having count(value) > 0
"""
