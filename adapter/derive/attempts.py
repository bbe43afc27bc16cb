"""What is worked out from measurements and scores: ages, sizes, a screen's result, rises."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapter.catalogue import Catalogue
from adapter.derive.bilirubin import rises
from adapter.derive.made import Computed, Withheld
from adapter.derive.scores import estimates
from adapter.derive.screening import screen
from adapter.derive.size import sizes
from adapter.exam import Exam


def attempts(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Iterator[Computed | Withheld]:
    """What this exam and earlier ones of the newborn give, where nobody captured it; or why it was not worked out."""
    yield from sizes(exam, catalogue, earlier)
    yield from estimates(exam, catalogue)
    yield from screen(exam, catalogue, earlier)
    yield from rises(exam, catalogue, earlier)
