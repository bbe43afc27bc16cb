"""The catalogue's typed objects: what can be examined, how it is answered, and what each answer means.

All are frozen pydantic models that refuse unknown fields, so that ``mappings/`` is checked as it is read.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from adapter.catalogue.code import Code as Code
from adapter.catalogue.code import Codes, Frozen, Worded
from adapter.exam.model import Side, Urgency
from adapter.exam.text import Key


class Meaning(StrEnum):
    """What an answer or a value says of the infant."""

    __hash__ = str.__hash__  # findings are looked up by it; that of Enum is Python

    EXPECTED = "expected"
    VARIANT = "variant"
    ABNORMAL = "abnormal"


class MayRetire(Worded):
    """What a site may retire, so that it is offered nowhere and refused in new records, and still read in old ones.

    ``on`` is then false; ``use`` names what to record instead (an item's id, an answer's of the same item); ``since``
    is the day from which exams are refused that hold it, None: every exam that is not read from what was sent.
    """

    on: bool = True
    use: Key | None = None
    since: date | None = None


class Answer(MayRetire):
    """One possible answer: its meaning, how soon to tell, and the codes of the value.

    ``exclusive`` answers say that there is nothing: no other answer of the item may stand beside them. ``maps`` are
    codes that are near and say something else: for ConceptMaps alone. ``own_question``: the published codes of the
    item do not ask this, so that with this answer the question has our own code alone. ``when``: of which infants it
    is true; of any other it counts as the answer ``otherwise``, and without one as abnormal and to be told.
    """

    id: Key
    meaning: Meaning
    urgency: Urgency = Urgency.NONE
    exclusive: bool = False
    codes: Codes = ()
    maps: Codes = ()
    own_question: bool = False
    when: Condition | None = None
    otherwise: Key | None = None


_COMPARE: dict[str, Callable[[Decimal, Decimal], bool]] = {
    ">": operator.gt,
    ">=": operator.ge,
    "<": operator.lt,
    "<=": operator.le,
}


class Bound(Frozen):
    """One end of a range with its comparator: ``>=30`` is not ``>30``."""

    comparator: str
    value: Decimal

    def holds(self, number: Decimal) -> bool:
        """Whether the number satisfies this end."""
        return _COMPARE[self.comparator](number, self.value)

    def __str__(self) -> str:
        return f"{self.comparator}{self.value}"


_BOUND = re.compile(r"(>=|>|<=|<) *(-?\d+(?:\.\d+)?)")


def _read_bound(value: Any) -> Any:
    if value is None or isinstance(value, (Bound, Mapping)):
        return value
    found = _BOUND.fullmatch(str(value).strip())
    if not found:
        raise ValueError(f"'{value}' has no comparator; write the end as '>=30', '>30', '<=60' or '<60'")
    return {"comparator": found[1], "value": found[2]}


BoundText = Annotated[Bound, BeforeValidator(_read_bound)]


class Span(Frozen):
    """From low to high, either end open when left out."""

    low: BoundText | None = None
    high: BoundText | None = None

    def holds(self, number: Decimal) -> bool:
        """Whether the number lies within."""
        return (self.low is None or self.low.holds(number)) and (self.high is None or self.high.holds(number))

    def __str__(self) -> str:
        return " and ".join(str(end) for end in (self.low, self.high) if end) or "any"


class Condition(Frozen):
    """When a range applies, or an answer is true: all that is given must hold.

    Ages in hours since birth, gestation (at birth) in weeks; postmenstrual is gestation and age together.
    """

    age_hours: Span | None = None
    gestation_weeks: Span | None = None
    postmenstrual_weeks: Span | None = None
    states: tuple[Key, ...] = ()
    sites: tuple[Key, ...] = ()
    methods: tuple[Key, ...] = ()
    sex: str | None = None


class Flag(StrEnum):
    """Codes of HL7 v3 ObservationInterpretation used for a number (FHIR R4 binding of interpretation)."""

    __hash__ = str.__hash__  # findings are looked up by it; that of Enum is Python

    NORMAL = "N"
    LOW = "L"
    LOW_CRITICAL = "LL"
    HIGH = "H"
    HIGH_CRITICAL = "HH"
    ABNORMAL = "A"


class Range(Span):
    """A band of values and what it means; the first band in the list whose condition holds decides."""

    meaning: Meaning
    flag: Flag
    urgency: Urgency = Urgency.NONE
    when: Condition = Condition()
    component: Key | None = None
    source: str

    def __hash__(self) -> int:
        """Of little, since a finding's form is looked up by it; ranges that are equal have the same."""
        low, high = self.low, self.high
        return hash((low and low.value, high and high.value))


class Limits(Frozen):
    """Two limits of a number: outside ``possible`` it is refused, outside ``plausible`` warned. Inclusive."""

    possible: tuple[Decimal, Decimal]
    plausible: tuple[Decimal, Decimal]


class Component(Worded):
    """One number of a measurement that has several, such as the systolic pressure."""

    id: Key
    codes: Codes = ()
    limits: Limits
    required: bool = True


class SignAnswer(Frozen):
    """One answer of a scored sign and its points."""

    id: Key
    label: str
    points: int
    codes: Codes = ()


class Sign(Worded):
    """One sign of a scored instrument.

    Of the signs of one ``group`` exactly one counts (the genital signs of a maturity score); ``sex`` is set where
    a sign is of one sex.
    """

    id: Key
    group: Key | None = None
    sex: str | None = None
    codes: Codes = ()
    answers: tuple[SignAnswer, ...] = Field(min_length=2)


class ItemType(StrEnum):
    """How an item is answered."""

    __hash__ = str.__hash__  # looked up by it; that of Enum is Python

    CHOICE = "choice"
    CHOICES = "choices"
    QUANTITY = "quantity"
    QUANTITIES = "quantities"
    SCORE = "score"
    TIME = "time"
    TEXT = "text"


class Sides(StrEnum):
    """What an item is about: the midline, each side, a place that may have a side, the pair, or the pair or one of it
    (legs that are alike, and the left one that is swollen)."""

    __hash__ = str.__hash__  # looked up by it; that of Enum is Python

    NONE = "none"
    EACH = "each"
    OPTIONAL = "optional"
    PAIR = "pair"
    EITHER = "either"


class OtherUnit(Frozen):
    """A unit of another dimension that a value may be captured in, and the codes of the question in that unit.

    Mass and amount of substance convert by the item's molar mass; the value is sent in the unit it was captured
    in, under these codes in place of the item's own published ones.
    """

    unit: str
    codes: Codes = ()


class CodesBy(Frozen):
    """Further codings of the question that apply only with a given side, site or method."""

    side: dict[Side, Codes] = Field(default_factory=dict)
    site: dict[Key, Codes] = Field(default_factory=dict)
    method: dict[Key, Codes] = Field(default_factory=dict)

    def conditions(self) -> Iterator[tuple[str, str, Codes]]:
        """Each condition, as (``side``, ``site`` or ``method``, which, codes)."""
        yield from (("side", side.value, codes) for side, codes in self.side.items())
        yield from (("site", site, codes) for site, codes in self.site.items())
        yield from (("method", method, codes) for method, codes in self.method.items())


class NotDone(Frozen):
    """Published questions for the reason why an item was not done: of it, or of its left or right."""

    codes: Codes = ()
    left: Codes = ()
    right: Codes = ()

    def of(self, side: Side | None) -> Codes:
        """The questions on a side."""
        return {Side.LEFT: self.left, Side.RIGHT: self.right}.get(side or Side.BOTH, ()) or self.codes


class Category(StrEnum):
    """FHIR R4 observation-category codes used."""

    __hash__ = str.__hash__  # looked up by it; that of Enum is Python

    VITAL_SIGNS = "vital-signs"
    EXAM = "exam"
    SURVEY = "survey"
    LABORATORY = "laboratory"


class Item(MayRetire):
    """One thing to look at, feel, listen to, count, measure or ask; the question of an Observation.

    ``minutes_after_birth`` is set where the item belongs to the birth and not to the exam (Apgar, birth weight):
    without a time of its own, its finding was made then. ``kept_units`` are further UCUM units in which a value is
    sent as captured, where converting it would claim a precision that it has not. ``not_done`` has the published
    questions for why it was not examined, sent with that reason. ``no_standard_code`` says why ``codes`` is empty.
    ``other_units`` are units of another dimension, converted by ``molar_mass`` (g/mol).
    ``compare_sides``: left and right that differ become a finding of their own. ``still_to_do``: not examined or not
    recorded, it is listed as still to be done. ``chart``: a value that no range judges is
    to be compared with the site's chart. ``maps`` are codes for ConceptMaps alone. ``one_by_one``: where a page
    is recorded as expected in one action, this item is not ticked beforehand; nor is one that is ``still_to_do``.
    ``lasting``: once recorded it holds in later exams too (a risk from the mother), and rules count it there.
    ``each_site``: what one place shows says nothing of another (a hand and a foot): a later finding answers an
    earlier one of the same place alone.
    """

    id: Key
    position: int = Field(ge=1)
    disturbance: int = Field(ge=1, le=5)
    type: ItemType
    category: Category | None = None
    codes: Codes = ()
    codes_by: CodesBy = CodesBy()
    maps: Codes = ()
    not_done: NotDone = NotDone()
    profile: str | None = None
    sides: Sides = Sides.NONE
    sites: tuple[Key, ...] = ()
    site_required: bool = False
    body_site: Key | None = None
    methods: tuple[Key, ...] = ()
    method: Key | None = None
    states: bool = False
    count_seconds: Decimal | None = None
    minutes_after_birth: int | None = None
    may_precede: bool = False
    unit: str | None = None
    kept_units: tuple[str, ...] = ()
    other_units: tuple[OtherUnit, ...] = ()
    molar_mass: Decimal | None = None
    whole_numbers: bool = False
    limits: Limits | None = None
    components: tuple[Component, ...] = ()
    answers: tuple[Answer, ...] = ()
    signs: tuple[Sign, ...] = ()
    ranges: tuple[Range, ...] = ()
    tell_when_not_examined: tuple[str, ...] = ()
    compare_sides: bool = False
    still_to_do: bool = False
    chart: bool = False
    one_by_one: bool = False
    lasting: bool = False
    each_site: bool = False
    sex: str | None = None
    computed: bool = False
    no_standard_code: str | None = None
    how: str = ""
    caution: str = ""
    sources: tuple[str, ...] = Field(min_length=1)

    @property
    def offered(self) -> tuple[Answer, ...]:
        """The answers that are not retired."""
        return tuple(answer for answer in self.answers if answer.on)

    def answer(self, answer_id: str) -> Answer | None:
        """The answer with this id, or None."""
        for answer in self.answers:
            if answer.id == answer_id:
                return answer
        return None

    def component(self, component_id: str) -> Component | None:
        """The component with this id, or None."""
        return next((c for c in self.components if c.id == component_id), None)

    def sign(self, sign_id: str) -> Sign | None:
        """The sign with this id, or None."""
        return next((s for s in self.signs if s.id == sign_id), None)


class Region(Worded):
    """A body region or topic; becomes one panel Observation.

    ``may_precede`` (here or on an item): what was found, asked or done before the exam began may be entered with it.
    ``section_codes`` name its section of a document, where those of the panel do not.
    """

    region: Key
    category: Category = Category.EXAM
    codes: Codes = ()
    section_codes: Codes = ()
    may_precede: bool = False
    items: tuple[Item, ...] = Field(min_length=1)
