"""Transports that prepare the same exam after the same versions once in a process.

Preparing (mapping, proof, the judgement of a message by another library) takes most of a ward's time and says nothing
of how exams are sent: with it done once, several times as many wards fit an hour.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.read import to_json
from adapter.send import FhirTransport, Message, OutboxRow
from adapter.send.mllp import MllpTransport
from adapter.send.transport import Prepared

Earlier = Sequence[tuple[OutboxRow, Message]]
_KEPT: dict[tuple[Any, ...], Prepared] = {}
_MOST = 5000


def _once(make: Callable[[], Prepared], *key: Any) -> Prepared:
    if key not in _KEPT:
        if len(_KEPT) >= _MOST:
            _KEPT.clear()
        _KEPT[key] = make()
    return _KEPT[key]


class FhirOnce(FhirTransport):
    """To a FHIR server: a transaction depends on the exam alone."""

    def prepare(self, exam: Exam, catalogue: Catalogue, earlier: Earlier = (), source: str = "") -> Prepared:
        usual = super().prepare
        return _once(lambda: usual(exam, catalogue, earlier, source), "fhir", id(catalogue), to_json(exam), source)


class MllpOnce(MllpTransport):
    """To a listener: what may have arrived of earlier versions is withdrawn too."""

    def prepare(self, exam: Exam, catalogue: Catalogue, earlier: Earlier = (), source: str = "") -> Prepared:
        usual = super().prepare
        before = tuple(
            (row.state, tuple(one.rule for one in row.reasons), message.payload) for row, message in earlier
        )
        return _once(lambda: usual(exam, catalogue, earlier, source), "v2", id(catalogue), to_json(exam), before)
