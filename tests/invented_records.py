"""Many invented exams as capture records, quickly: seeded, some 60 findings each, of nearly every item there is.

Nothing of it is real. Numbers are spread over what is plausible, answers are mostly the first of an item, and some
findings were not examined.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from random import Random

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive.every_use import BORN, every_exam, uses_of
from adapter.exam import Exam, Finding, Quantity
from adapter.read import to_json

FINDINGS = 60
_USUAL, _GIVEN_UP = 0.85, 0.05
# What would contradict other findings of the same exam, since each is drawn by itself.
_TYPES_LEFT_OUT = (ItemType.SCORE, ItemType.TIME)
_LEFT_OUT = ("genital_type", "gestational_age_at_birth", "cchd_screen")


@dataclass(frozen=True, slots=True)
class _Pool:
    """The findings of an item, as they stand in a record."""

    sex: str | None
    usual: list[str]
    others: list[str]
    given_up: list[str]

    def drawn(self, random: Random) -> str:
        chance = random.random()
        if chance < _USUAL:
            return random.choice(self.usual)
        return random.choice(self.others if chance < 1 - _GIVEN_UP else self.given_up)


def records(count: int, catalogue: Catalogue, seed: int = 1, findings: int = FINDINGS) -> Iterator[bytes]:
    """So many exams, each a capture record on a line; the same seed gives the same."""
    random = Random(seed)
    some = every_exam(catalogue)[0]
    items = [i for i in catalogue.items.values() if i.type not in _TYPES_LEFT_OUT and i.id not in _LEFT_OUT]
    pools = [_pool(item, some, catalogue) for item in items]
    open_to = {sex: [pool for pool in pools if pool.sex in (None, sex)] for sex in ("female", "male")}
    for number in range(count):
        sex = random.choice(("female", "male"))
        chosen = random.sample(open_to[sex], min(findings, len(open_to[sex])))
        yield _record(number, sex, [pool.drawn(random) for pool in chosen], catalogue, random)


def _record(number: int, sex: str, findings: list[str], catalogue: Catalogue, random: Random) -> bytes:
    born = BORN + timedelta(minutes=random.randrange(500_000))
    started = born + timedelta(hours=random.randrange(6, 72))
    role = next(iter(catalogue.roles))
    exam = {
        "id": f"invented-{number:07}",
        "kind": next(iter(catalogue.kinds)),
        "started": started.isoformat(),
        "examiners": [{"name": "Example Examiner", "role": role}],
    }
    newborn = {
        "identifiers": [{"system": "https://example.org/mrn", "value": f"B-{number:07}"}],
        "name": f"Example, Baby {number}",
        "sex": sex,
        "birth_time": born.isoformat(),
        "gestation": {"weeks": random.randrange(37, 42), "days": random.randrange(7)},
        "mother": {"identifiers": [{"system": "https://example.org/mrn", "value": f"M-{number:07}"}]},
    }
    parts = f'"exam": {json.dumps(exam)}, "newborn": {json.dumps(newborn)}, "findings": [{", ".join(findings)}]'
    return f'{{"version": 1, {parts}}}\n'.encode()


def _pool(item: Item, some: Exam, catalogue: Catalogue) -> _Pool:
    side = next(uses_of(item, catalogue)).side
    uses = [f for f in uses_of(item, catalogue) if f.side == side and f.observed_at is None]
    examined = [f for f in uses if f.not_examined is None]
    usual, others = examined[:1], [f for f in examined if f.text is None]
    if item.type is ItemType.QUANTITY:
        usual = others = [examined[0].model_copy(update={"value": value}) for value in _spread(item)]
    given_up = [f for f in uses if f.not_examined is not None]
    return _Pool(item.sex, *([_written(f, some) for f in part] for part in (usual, others or usual, given_up)))


def _written(finding: Finding, some: Exam) -> str:
    text = to_json(some.model_copy(update={"findings": (finding,)}), None).decode()
    return text.partition('"findings": [')[2].rstrip().removesuffix("]}")


def _spread(item: Item) -> Iterator[Quantity]:
    assert item.limits is not None
    assert item.unit is not None
    low, high = item.limits.plausible
    places = Decimal(1) if item.whole_numbers or high > 50 else Decimal("0.1")
    for n in range(20, 81, 3):
        yield Quantity(value=(low + (high - low) * n / 100).quantize(places), unit=item.unit)
