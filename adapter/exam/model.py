"""The domain, and at once the schema of the capture record (our own format, version 1): one document per exam.

Unknown keys are errors. Times carry their offset. Nothing here knows FHIR, files or the catalogue: whether an
item, an answer or a unit exists is the catalogue's to say (:mod:`adapter.read.check`).
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import (
    Field,
    StringConstraints,
    model_validator,
)

from adapter.exam.html import exam_html, finding_html
from adapter.exam.persons import Examiner, Identifier, Newborn
from adapter.exam.quantity import Number, Quantities, Quantity, Score
from adapter.exam.text import Key, Line, Moment, RecordPart, Text

ExamId = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._\-]{0,63}$")]
"""An exam's id at its site: letters, digits, point, hyphen, underscore; it becomes part of identifiers."""


class Side(StrEnum):
    """The infant's own side; ``both`` only where the finding is about the pair (symmetry)."""

    __hash__ = str.__hash__  # findings are looked up by it; that of Enum is Python

    LEFT = "left"
    RIGHT = "right"
    BOTH = "both"


class Status(StrEnum):
    """The status of the record (FHIR R4 ObservationStatus, the part that a finished exam can have)."""

    FINAL = "final"
    AMENDED = "amended"
    ENTERED_IN_ERROR = "entered-in-error"


class Urgency(StrEnum):
    """How soon the provider must hear of a finding, from the least to the most urgent.

    ``tell`` is at the next round, ``tell-soon`` within this shift.
    """

    __hash__ = str.__hash__  # findings are looked up by it; that of Enum is Python

    NONE = "none"
    TELL = "tell"
    TELL_SOON = "tell-soon"
    TELL_NOW = "tell-now"


class ExamDetails(RecordPart):
    """When, where, by whom and as what the exam was done.

    An amended or retracted exam names in ``amends`` the id of the version that it corrects, and says why; where that
    is a later version itself, ``first`` is the id of the exam as first recorded (found among the versions at hand
    where it is left out). ``recorded`` is when this version was made; left out where that is the end of the exam (its
    start, without an end), or not known.

    ``reassigned_from`` is the id of the exam that was recorded on the wrong newborn and is this one, on the right
    newborn; ``reason`` then says why, though nothing of this record was changed.
    """

    id: ExamId
    kind: Key
    started: Moment
    ended: Moment | None = None
    status: Status = Status.FINAL
    recorded: Moment | None = None
    amends: ExamId | None = None
    first: ExamId | None = None
    reassigned_from: ExamId | None = None
    reason: Text | None = None
    place: Line | None = None
    encounter: Identifier | None = None
    examiners: tuple[Examiner, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _coherent(self) -> ExamDetails:
        if self.ended is not None and self.ended < self.started:
            raise ValueError("ended before it started; check both times and their offsets")
        changed = self.status is not Status.FINAL
        if changed and (self.amends is None or self.reason is None):
            raise ValueError(f"status {self.status.value} needs both amends (the earlier version's id) and reason")
        moved = self.reassigned_from is not None
        if moved and (self.reason is None or self.reassigned_from in (self.id, self.amends)):
            raise ValueError("reassigned_from names an exam of another newborn, and needs a reason")
        if not changed and not (self.amends is None and self.first is None and (moved or self.reason is None)):
            raise ValueError("amends, first and reason belong to status amended or entered-in-error")
        if self.first == self.amends:
            self.__dict__["first"] = None
        done = self.ended or self.started
        if self.recorded is not None and self.recorded < done:
            raise ValueError("recorded before the exam was done; check the times and their offsets")
        if self.recorded == done:
            self.__dict__["recorded"] = None
        return self

    @property
    def root(self) -> str:
        """The id that identifiers are built on: an amendment keeps those of the exam it amends."""
        return self.first or self.amends or self.id

    @property
    def made(self) -> datetime:
        """When this version was made, as far as it says."""
        return self.recorded or self.ended or self.started


class At(RecordPart):
    """A finding that is itself a moment, such as the first stool."""

    time: Moment


Value = Quantity | Quantities | Score | At | Key
"""A measured value, several of one measurement, a score, a moment, or the id of one answer."""


class ValueKind(StrEnum):
    """How a finding was answered, which need not be how its item asks."""

    __hash__ = str.__hash__  # findings are looked up by it; that of Enum is Python

    ANSWER = "answer"
    QUANTITY = "quantity"
    QUANTITIES = "quantities"
    SCORE = "score"
    MOMENT = "moment"
    TEXT = "text"
    NOT_EXAMINED = "not-examined"


_KINDS: dict[type[object], ValueKind] = {
    str: ValueKind.ANSWER,
    Quantity: ValueKind.QUANTITY,
    Quantities: ValueKind.QUANTITIES,
    Score: ValueKind.SCORE,
    At: ValueKind.MOMENT,
}


class Finding(RecordPart):
    """One thing looked at, felt, listened to, counted or measured: exactly one of value, not_examined, text.

    ``value`` as an answer id is one answer; the record may list several, each becomes a finding of its own.
    ``text`` answers in words. ``not_examined`` holds the reason. ``urgency`` is the examiner's own mark: it
    raises what the catalogue says, never lowers it.
    """

    item: Key
    value: Value | None = None
    not_examined: Key | None = None
    text: Text | None = None
    side: Side | None = None
    method: Key | None = None
    site: Key | None = None
    state: Key | None = None
    counted_seconds: Number | None = Field(default=None, gt=0, le=600)
    observed_at: Moment | None = None
    urgency: Urgency | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Finding:
        if (self.value is not None) + (self.not_examined is not None) + (self.text is not None) != 1:
            given = [k for k in ("value", "not_examined", "text") if getattr(self, k) is not None]
            said = " and ".join(given) or "none of them"
            raise ValueError(f"needs exactly one of value, not_examined or text; it has {said}")
        return self

    def _repr_html_(self) -> str:
        """As a notebook shows it."""
        return finding_html(self)

    @property
    def kind(self) -> ValueKind:
        """How it was answered. The class of a value is asked here, and by the five properties below."""
        if self.value is not None:
            return _KINDS[type(self.value)]
        return ValueKind.TEXT if self.not_examined is None else ValueKind.NOT_EXAMINED

    @property
    def answer(self) -> str | None:
        """The answer id, where the value is one."""
        return self.value if isinstance(self.value, str) else None

    @property
    def quantity(self) -> Quantity | None:
        """The one measured value, where it is one."""
        return self.value if isinstance(self.value, Quantity) else None

    @property
    def quantities(self) -> Quantities | None:
        """The several numbers of one measurement, where the value is that."""
        return self.value if isinstance(self.value, Quantities) else None

    @property
    def score(self) -> Score | None:
        """The score, where the value is one."""
        return self.value if isinstance(self.value, Score) else None

    @property
    def moment(self) -> datetime | None:
        """The moment that was found, where the value is one."""
        return self.value.time if isinstance(self.value, At) else None


class Telling(RecordPart):
    """That somebody was told of a line of the tell list: which line, to whom, when, by whom.

    ``line`` is the line's id (:func:`adapter.derive.told.line_ids`), so that a telling is bound to what put the line
    on the list and not to its words. ``read_back``: the listener repeated it, or did not; None is not recorded.
    ``words``: what was said.
    """

    line: Annotated[Line, StringConstraints(max_length=200)]
    at: Moment
    to: Examiner
    by: Examiner | None = None
    read_back: bool | None = Field(default=None, strict=True)
    words: Text | None = None

    @model_validator(mode="after")
    def _no_facts(self) -> Telling:
        if self.to.facts is not None or (self.by is not None and self.by.facts is not None):
            raise ValueError("facts of a person stand with the examiners of the exam")
        return self


def _of_telling(telling: Telling) -> tuple[datetime, str, str]:
    return telling.at, telling.line, telling.model_dump_json()


class Exam(RecordPart):
    """One newborn, one exam, its findings in the order captured; who was told of them, in the order of time."""

    version: Literal[1] = 1
    details: ExamDetails = Field(alias="exam")
    newborn: Newborn
    findings: tuple[Finding, ...] = ()
    told: tuple[Telling, ...] = ()

    @model_validator(mode="after")
    def _one_way_to_say_it(self) -> Exam:
        """A finding made at the exam's very start needs no time of its own, and tellings stand in the order of time:
        one fact, one form."""
        started = self.details.started
        if len(self.told) > 1:
            object.__setattr__(self, "told", tuple(sorted(self.told, key=_of_telling)))
        if any(finding.observed_at == started for finding in self.findings):
            plain = (
                f.model_copy(update={"observed_at": None}) if f.observed_at == started else f for f in self.findings
            )
            object.__setattr__(self, "findings", tuple(plain))
        return self

    def _repr_html_(self) -> str:
        """As a notebook shows it: the findings, and nothing of who the newborn is."""
        return exam_html(self)

    def record(self) -> dict[str, Any]:
        """The capture record as plain data: keys as in the format, Decimals and times as they are."""
        record = self.model_dump(by_alias=True, exclude_none=True, exclude_defaults=False)
        if not self.told:
            del record["told"]
        return record


def record_schema() -> dict[str, Any]:
    """JSON Schema of the capture record, generated from these models; ``value`` may list several answers."""
    schema = Exam.model_json_schema(by_alias=True)
    value = schema["$defs"]["Finding"]["properties"]["value"]
    value["anyOf"].insert(-1, {"type": "array", "items": {"type": "string"}, "minItems": 1})
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "Capture record of a newborn examination, version 1"
    return schema
