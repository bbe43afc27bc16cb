"""The view of a finding: all that is said of it, worked out once for whoever writes it.

A writer asks the view, never the class of a value: how it was answered, its number as sent and as captured, its
parts, where, how and when it was found, what it means, who computed it from what. What is not always needed is worked
out when it is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from operator import itemgetter

from adapter.catalogue import Answer, Catalogue, Item, ItemType, Range, Words
from adapter.catalogue.codings import Coding, codings
from adapter.derive.age import age_hours, made_at
from adapter.derive.completeness import side_of
from adapter.derive.form import SCORE_UNIT, Captured, Form, Part, Particulars, Sent
from adapter.derive.judgement import (
    Judgement,
    component_judgement,
    expected_range,
    judged_as,
    usually_expected,
    why_not_judged,
)
from adapter.derive.made import Computed, Maker
from adapter.derive.numbers import component_numbers, number
from adapter.derive.scores import missing_signs, score_total
from adapter.derive.words import in_words, value_in_words
from adapter.exam import (
    Amount,
    At,
    Comparator,
    Exam,
    Finding,
    Quantities,
    Quantity,
    Score,
    Side,
    Status,
    ValueKind,
)

# The fields of a finding, several at once: a model's attributes are slow to reach one by one.
_FORM = ("item", "not_examined", "side", "site", "method", "state", "urgency")
_OF_VALUE = ("value", "observed_at")
_form = itemgetter(*_FORM)
_PARTICULAR = sorted({*Finding.model_fields} - {*_FORM, *_OF_VALUE}, key=Particulars._fields.index)
_particular = itemgetter(*_PARTICULAR)
_NONE = (None,) * len(_PARTICULAR)


_ANSWER, _QUANTITY, _NOT_EXAMINED = ValueKind.ANSWER, ValueKind.QUANTITY, ValueKind.NOT_EXAMINED
_KINDS = {
    type(None): ValueKind.TEXT,
    Score: ValueKind.SCORE,
    Quantities: ValueKind.QUANTITIES,
    At: ValueKind.MOMENT,
}


@dataclass(slots=True)
class ExamFacts:
    """An exam and what all its findings share.

    ``status`` is that of its record, ``implied`` the method of each item where none was captured; ``signs`` has each
    answer of each sign of each score as the part that it is.
    """

    exam: Exam
    catalogue: Catalogue
    status: str
    implied: Mapping[str, str | None]
    signs: Mapping[tuple[str, str, str], Part]


def facts(exam: Exam, catalogue: Catalogue) -> ExamFacts:
    """What the findings of an exam share."""
    return ExamFacts(exam, catalogue, exam.details.status.value, implied_methods(catalogue), _signs(catalogue))


@lru_cache(maxsize=16)
def _signs(catalogue: Catalogue) -> dict[tuple[str, str, str], Part]:
    return {
        (item.id, sign.id, answer.id): Part(
            sign.id, sign.label, Decimal(answer.points), answer=answer.id, answer_label=answer.label
        )
        for item in catalogue.items.values()
        for sign in item.signs
        for answer in sign.answers
    }


@lru_cache(maxsize=16)
def implied_methods(catalogue: Catalogue) -> dict[str, str | None]:
    """The method of each item where none was captured."""
    return {i.id: i.method or ("calculated" if i.computed else None) for i in catalogue.items.values()}


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """What is so of every finding that says the same, of whichever infant; a key by which more may be kept of them.

    ``words`` as :attr:`FindingView.words`; None where the findings have words of their own.
    """

    item: Item
    judged: Judgement | None
    form: Form
    words: str | None


@dataclass(slots=True)
class FindingView:
    """A finding, its index (captured ones first, then computed), what it means, and its unrounded value.

    Nobody changes one; it is not frozen because one is made for every finding, and that takes three times as long.
    """

    index: int
    finding: Finding
    item: Item
    judged: Judgement | None
    facts: ExamFacts
    exact: Decimal | None = None
    computed: Computed | None = None
    of_table: str = ""
    """By which of the site's tables of lines it was judged, or why by none of them."""
    _words_of: str | None = field(default=None, init=False, repr=False, compare=False)
    kept: Kept | None = field(default=None, init=False)
    """What is known of all that say the same (:mod:`adapter.derive.judged`); not of one that is replaced in part."""

    # what it is

    @property
    def kind(self) -> ValueKind:
        """How it was answered."""
        return self.finding.kind

    @property
    def region(self) -> str:
        """The region of its item."""
        return self.facts.catalogue.region_of[self.item.id]

    @property
    def examined(self) -> bool:
        """Whether it was looked at."""
        return self.finding.__dict__["not_examined"] is None

    @property
    def status(self) -> str:
        """FHIR R4 ObservationStatus: of what was not examined ``cancelled`` ("not completed"), or ``registered``
        where a later exam is to do it."""
        reason = self.finding.__dict__["not_examined"]
        if reason is None or self.facts.status == Status.ENTERED_IN_ERROR:
            return self.facts.status
        return "registered" if self.facts.catalogue.reasons[reason].deferred else "cancelled"

    @property
    def form(self) -> Form:
        """What it says, but for digits, time and particulars."""
        if self.kept is not None:
            return self.kept.form
        fields, judged, shared = self.finding.__dict__, self.judged, self.facts
        value, means = fields["value"], None if judged is None else judged[:3]
        implied = None if fields["method"] is not None else shared.implied[fields["item"]]
        plain = self.computed is None and _particular(fields) == _NONE
        rest: tuple[object, ...]
        if type(value) is str:
            rest = (plain, implied, _ANSWER, value, None, None, None, shared.status, means, None, self.remark)
        elif fields["not_examined"] is not None:
            rest = (plain, None, _NOT_EXAMINED, None, None, None, None, self.status, means, None, None)
        elif type(value) is Quantity:
            measured = value.__dict__
            plain, unit, comparator = plain and measured["plus"] is None, measured["unit"], measured["comparator"]
            said = (_QUANTITY, None, unit, self.other_unit, comparator)
            rest = (plain, implied, *said, shared.status, means, self.expected, self.remark)
        else:
            static = self.item.__dict__
            implied = self.implied_method if static["signs"] else implied
            expected = None if static["unit"] is None else self.expected
            said = (_KINDS[type(value)], None, None, None, None)
            rest = (False, implied, *said, shared.status, means, expected, self.remark)
        # As Form(..), in a third of the time: one is made for every finding.
        return tuple.__new__(Form, _form(fields) + rest)

    @property
    def particulars(self) -> Particulars:
        """What it alone says."""
        text, note, counted_seconds = _particular(self.finding.__dict__)
        value = self.finding.__dict__["value"]
        if value is None:
            return Particulars(text, note, counted_seconds, computed=self.computed)
        if type(value) is Score:
            total, summed = score_total(value, self.item), value.total is None
            return Particulars(text, note, counted_seconds, self._signs(value), total, summed, None, self.computed)
        parts, moment = self.parts, self.finding.moment
        return Particulars(text, note, counted_seconds, parts, moment=moment, computed=self.computed)

    # what was found

    @property
    def answer(self) -> Answer | None:
        """The answer, where it is one of the catalogue's."""
        given = self.finding.answer
        return None if given is None else self.item.answer(given)

    @property
    def number(self) -> Decimal | None:
        """Its one number in the item's unit, a score's total; None where it has none."""
        return number(self.finding, self.item, self.facts.catalogue)

    @property
    def unit(self) -> str | None:
        """The UCUM unit of :attr:`number`."""
        return SCORE_UNIT if self.item.type is ItemType.SCORE else self.item.unit

    @property
    def digits(self) -> Decimal | None:
        """The one number as it was captured."""
        value = self.finding.__dict__["value"]
        return value.value if type(value) is Quantity else None

    @property
    def comparator(self) -> Comparator | None:
        """Beyond which side of the number the true value lies."""
        quantity = self.finding.quantity
        return None if quantity is None else quantity.comparator

    @property
    def other_unit(self) -> str | None:
        """The unit of another dimension in which it was captured and is sent, under codes of its own."""
        value = self.finding.__dict__["value"]
        if type(value) is not Quantity or not self.item.__dict__["other_units"]:
            return None
        other = self.facts.catalogue.other_unit(value, self.item)
        return None if other is None else other.unit

    @property
    def captured(self) -> tuple[Captured, ...]:
        """The amounts of its one value as captured: one, or the two of a compound amount."""
        quantity = self.finding.quantity
        if quantity is None:
            return ()
        amounts: list[Quantity | Amount] = [quantity] if quantity.plus is None else [quantity, quantity.plus]
        return tuple(Captured(one.value, one.unit, self._ucum(one.unit)) for one in amounts)

    @property
    def sent(self) -> Sent | None:
        """Its one measured number as it is sent; None where it has none."""
        quantity, item, catalogue = self.finding.quantity, self.item, self.facts.catalogue
        if quantity is None:
            return None
        ucum = self._ucum(quantity.unit)
        wanted = self.other_unit or (ucum if ucum in item.kept_units else item.unit or ucum)
        if quantity.plus is None and ucum == wanted:
            return Sent(quantity.value, wanted, quantity.unit)
        return Sent(catalogue.units.convert(quantity, wanted), wanted, wanted, self.captured)

    @property
    def total(self) -> int | None:
        """The total of a score, captured or summed; None where there is none."""
        score = self.finding.score
        return None if score is None else score_total(score, self.item)

    @property
    def missing(self) -> tuple[str, ...]:
        """The labels of the signs that a score lacks."""
        score = self.finding.score
        return () if score is None else missing_signs(score, self.item, self._words)

    @property
    def parts(self) -> tuple[Part, ...]:
        """The numbers of a measurement that has several, or the signs of a score, in the order captured."""
        several, score = self.finding.quantities, self.finding.score
        if several is not None:
            return tuple(self._numbers(several))
        return () if score is None else self._signs(score)

    def _numbers(self, several: Quantities) -> Iterator[Part]:
        item, catalogue = self.item, self.facts.catalogue
        ucum = self._ucum(several.unit)
        for name, amount in component_numbers(several, item, catalogue).items():
            component = item.component(name)
            exam = self.facts.exam
            judged = component_judgement(self.finding, name, amount, item, exam, catalogue)
            yield Part(
                id=name,
                label=component.label if component else name,
                number=amount,
                captured=Captured(several.components[name], several.unit, ucum),
                judged=judged,
                expected=expected_range(self.finding, item, exam, catalogue, name) if judged else None,
            )

    def _signs(self, score: Score) -> tuple[Part, ...]:
        known, item = self.facts.signs, self.item.id
        return tuple([known[item, name, given] for name, given in score.signs.items()])

    @property
    def moment(self) -> datetime | None:
        """The moment that was found."""
        return self.finding.moment

    @property
    def moment_hours(self) -> Decimal | None:
        """Hours of life at the moment that was found."""
        moment = self.finding.moment
        return None if moment is None else age_hours(self.facts.exam, moment)

    @property
    def expected(self) -> Range | None:
        """The range in force that says what is expected of its one number; None where none applies, or judges it."""
        judged = self.judged
        if judged is None:
            return None
        if judged.band is not None and judged.band is usually_expected(self.item, self.facts.catalogue):
            return judged.band  # it applies, since it judged
        return expected_range(self.finding, self.item, self.facts.exam, self.facts.catalogue)

    @property
    def not_judged(self) -> str | None:
        """Why it has no judgement though it was examined; None where it has one."""
        if self.judged is not None:
            return None
        reason = why_not_judged(self.finding, self.item, self.facts.exam, self.facts.catalogue)
        return self._words.clauses((self.of_table, reason)) if reason else reason

    @property
    def remark(self) -> str | None:
        """That it was not judged and why, as which other answer or by which table it was judged; None of most."""
        if self.judged is not None:
            as_other = (
                None if self.judged.counted is None else judged_as(self.finding, self.item, self.judged, self._words)
            )
            return as_other or self.of_table or None
        reason = self.not_judged
        return None if reason is None else self._words.say("judged.not", reason=reason)

    @property
    def words(self) -> str:
        """It in words: ``Femoral pulse, left: weak``."""
        if self.kept is not None and self.kept.words is not None:
            return self.kept.words
        if self._words_of is None:
            self._words_of = in_words(self.finding, self.item, self.facts.catalogue)
        return self._words_of

    @property
    def value_words(self) -> str:
        """What was found in words, without where."""
        return value_in_words(self.finding, self.item, self.facts.catalogue)

    # where, when and how

    @property
    def side(self) -> Side | None:
        """The infant's own side: as captured, else the one that the place has by name."""
        return side_of(self.finding, self.facts.catalogue)

    @property
    def place(self) -> str | None:
        """The place of the body: the one captured, else the item's own."""
        return self.finding.site or self.item.body_site

    @property
    def made_at(self) -> datetime:
        """When it was found."""
        return made_at(self.finding, self.item, self.facts.exam)

    @property
    def age_hours(self) -> Decimal:
        """Hours of life when it was found."""
        return age_hours(self.facts.exam, self.made_at)

    @property
    def method(self) -> str | None:
        """How it was examined: as captured, else as the catalogue implies; None of what a rule or table made."""
        return None if self.maker is not None else self.finding.method or self.implied_method

    @property
    def implied_method(self) -> str | None:
        """The method where none was captured: the item's own, for what was in fact examined; of a total that is the
        sum of all signs, that it was summed."""
        fields = self.finding.__dict__
        if fields["method"] is not None or fields["not_examined"] is not None:
            return None
        score = self.finding.score
        if score is not None and score.total is None and len(score.signs) == len(self.item.signs):
            return "summed"
        return self.facts.implied[self.item.id]

    # who computed it

    @property
    def maker(self) -> Maker | None:
        """The rule, table or comparison that computed it."""
        return None if self.computed is None else self.computed.maker

    @property
    def by_rule(self) -> bool:
        """Whether a rule or a comparison of sides found it: then the rule is what was found."""
        return self.computed is not None and self.computed.by_rule

    @property
    def rests_on(self) -> tuple[int, ...]:
        """The indexes of the findings that it was computed from."""
        return () if self.computed is None else self.computed.derived_from

    # its codes

    @property
    def question_codings(self) -> list[Coding]:
        """The codings of what was looked at, as it is sent."""
        finding = self.finding
        return codings(self.facts.catalogue).question(
            self.item.id, finding.side, finding.site, finding.method, self.other_unit
        )

    @property
    def _words(self) -> Words:
        return self.facts.catalogue.words

    def _ucum(self, spelling: str) -> str:
        unit = self.facts.catalogue.units.find(spelling)
        assert unit is not None, f"unit {spelling} was not checked"
        return unit.ucum
