"""What a finding has to say, as plain records: its form, its particulars, its amounts and its parts.

:class:`adapter.derive.finding.FindingView` makes them; whoever is handed one needs nothing else.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from adapter.catalogue import Flag, Meaning, Range
from adapter.derive.judgement import Judgement
from adapter.derive.made import Computed
from adapter.exam import Comparator, Side, Urgency, ValueKind

SCORE_UNIT = "{score}"
"""The UCUM unit of points and totals."""


class Captured(NamedTuple):
    """One amount as it was captured: its digits, its unit as it was spelled, and that unit in UCUM."""

    number: Decimal
    spelling: str
    unit: str


class Sent(NamedTuple):
    """A measured number as it is sent: in the item's UCUM unit, or in one that the item keeps or has besides.

    ``captured``: the amounts that it was converted from; none where it is as captured.
    """

    number: Decimal
    unit: str
    spelling: str
    captured: tuple[Captured, ...] = ()


class Part(NamedTuple):
    """One number of a measurement that has several, or one sign of a score.

    ``number`` is in the item's unit, of a sign its points. ``expected`` is the range in force. ``answer`` is the id
    of a sign's answer; a sign has neither ``captured`` nor a judgement of its own.
    """

    id: str
    label: str
    number: Decimal
    captured: Captured | None = None
    judged: Judgement | None = None
    expected: Range | None = None
    answer: str | None = None
    answer_label: str | None = None


class Form(NamedTuple):
    """What a finding says but for digits, time and :class:`Particulars`; ``plain`` where it has none of these.

    Two findings of one form are written alike, so what is written of one may be kept for others under its form:
    whoever is handed a form can depend on nothing that is not in it. ``method``, ``unit`` and ``urgency`` are as
    captured, ``implied_method`` is the catalogue's where none was; ``other_unit`` is a unit of another dimension
    under which the question has codes of its own; ``status`` is that of the Observation (FHIR R4 ObservationStatus);
    ``judged`` is meaning, urgency and flag; ``expected`` the range in force, of a number with a unit; ``remark`` says
    why there is no judgement, or that it is that of another answer.
    """

    item: str
    not_examined: str | None
    side: Side | None
    site: str | None
    method: str | None
    state: str | None
    urgency: Urgency | None
    plain: bool
    implied_method: str | None
    kind: ValueKind
    answer: str | None
    unit: str | None
    other_unit: str | None
    comparator: Comparator | None
    status: str
    judged: tuple[Meaning, Urgency, Flag] | None
    expected: Range | None
    remark: str | None


class Particulars(NamedTuple):
    """What one finding alone says: words, several numbers, a total, a moment, who computed it and why.

    ``summed``: the total is the sum of the signs and nobody captured it.
    """

    text: str | None = None
    note: str | None = None
    counted_seconds: Decimal | None = None
    parts: tuple[Part, ...] = ()
    total: int | None = None
    summed: bool = False
    moment: datetime | None = None
    computed: Computed | None = None
