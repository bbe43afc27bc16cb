"""Which findings no check of a finding by itself finds fault with: asked once for all that say the same.

Such a check asks of a finding and the catalogue alone, of no time and of no other part of the record. What it says of
numbers and of words is asked anew each time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from operator import itemgetter

from adapter.catalogue import Catalogue
from adapter.exam import Finding
from adapter.problems import Problem
from adapter.read.check.subject import Placed, Subject

_UNASKED = ("observed_at", "note")
"""What no check of a finding by itself asks of."""
_said = itemgetter(*(name for name in Finding.model_fields if name not in _UNASKED))
_MOST = 10_000


def doubtful(subject: Subject, checks: Sequence[Callable[[Subject], Iterator[Problem]]]) -> Subject:
    """The subject with those findings alone of which it is not known that these checks find nothing."""
    known, left = _known(subject.catalogue), []
    for placed in subject.findings:
        fields = placed.finding.__dict__  # a model's attributes are slow to reach one by one
        if fields["text"] is not None or not (fields["value"] is None or type(fields["value"]) is str):
            left.append(placed)
            continue
        said = _said(fields)
        sound = known.get(said)
        if sound is None:
            if len(known) >= _MOST:
                known.clear()
            sound = known[said] = _is_sound(placed, subject, checks)
        if not sound:
            left.append(placed)
    return replace(subject, findings=tuple(left))


def _is_sound(placed: Placed, subject: Subject, checks: Sequence[Callable[[Subject], Iterator[Problem]]]) -> bool:
    alone = replace(subject, details=None, newborn=None, findings=(placed,))
    return not any(True for check in checks for _ in check(alone))


@lru_cache(maxsize=16)
def _known(catalogue: Catalogue) -> dict[tuple[object, ...], bool]:
    """Whether a finding is sound, by all that it says."""
    return {}
