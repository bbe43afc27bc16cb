"""The questions about one item of the catalogue: a group for each way it can be found, or for each side of it.

``ITEM`` or ``ITEM.left`` and ``ITEM.right`` are the groups that repeat; in each stand the answer, why it was not
examined (one question away), and how the finding was made. No two items ever share a linkId, and an item has the same
ones in every kind of exam.
"""

from __future__ import annotations

from decimal import Decimal

from adapter.catalogue import Catalogue, Item, ItemType, Sides, Sign
from adapter.catalogue.codings import codings
from adapter.catalogue.model import Limits
from adapter.derive.sexes import GENITAL_TYPE
from adapter.exam import Sex, Side, Urgency
from adapter.fhir.json import Json
from adapter.read.questionnaire.about import of_codings, sex_option, terms
from adapter.read.questionnaire.node import EnableWhen, FormNode, Option, QuestionType
from adapter.read.wording import dimensions_of, unit_name


def asked(item: Item, catalogue: Catalogue) -> FormNode:
    """The group of an item."""
    asking = _Asking(item, catalogue)
    if item.sides is Sides.EACH and not item.sites:
        sides = (Side.LEFT, Side.RIGHT)
        groups = tuple(asking.finding(f"{item.id}.{side.value}", asking.of_side(side), side) for side in sides)
        return FormNode(
            item.id, QuestionType.GROUP, item.label, children=(*asking.help(), *groups), when=asking.when_of_sex()
        )
    return asking.finding(item.id, item.label, None)


def placed(item: Item) -> tuple[tuple[str, Side | None], ...]:
    """The linkIds of an item's groups of findings, and the side that each stands for."""
    if item.sides is Sides.EACH and not item.sites:
        return ((f"{item.id}.left", Side.LEFT), (f"{item.id}.right", Side.RIGHT))
    return ((item.id, None),)


class _Asking:
    def __init__(self, item: Item, catalogue: Catalogue) -> None:
        self.item, self.catalogue, self.codings = item, catalogue, codings(catalogue)
        self.say = catalogue.words.say

    def finding(self, link_id: str, text: str, side: Side | None) -> FormNode:
        """The group that repeats: one finding of the item, or several answers found together."""
        answers = self._answers(link_id, side)
        children = (
            *(self.help() if side is None else ()),
            *answers,
            *self._where(link_id),
            *((self._state(link_id),) if self.item.states else ()),
            *self._counted(link_id),
            self._not_examined(link_id, answers),
            *self._details(link_id),
        )
        when = self.when_of_sex() if side is None else ()
        several = self.item.type is ItemType.QUANTITIES
        return FormNode(
            link_id,
            QuestionType.GROUP,
            text,
            ("findings", link_id),
            codes=tuple(self.codings.question(self.item.id, side)) if several else (),
            children=children,
            repeats=True,
            when=when,
        )

    def of_side(self, side: Side) -> str:
        """The item's label with one side."""
        return self.say("form.on_side", what=self.item.label, side=self.catalogue.sides[side.value].inline)

    def help(self) -> tuple[FormNode, ...]:
        """How it is done, what to beware of, what is plausible."""
        item = self.item
        caution = self.catalogue.caution(item)
        words = [
            part
            for part in (item.how, caution and self.say("form.caution", caution=caution), self._plausible())
            if part
        ]
        return (FormNode(f"{item.id}.help", QuestionType.DISPLAY, " ".join(words)),) if words else ()

    def when_of_sex(self) -> tuple[EnableWhen, ...]:
        """An item of one sex is asked unless the other was recorded; what was seen goes before the record."""
        if self.item.sex is None:
            return ()
        others = [Sex(self.item.sex), Sex.OTHER, Sex.UNKNOWN]
        known = tuple(EnableWhen("newborn.sex", "=", ("valueCoding", sex_option(sex).coding)) for sex in others)
        return (*known, EnableWhen(f"{GENITAL_TYPE}.value", "exists", ("valueBoolean", True)))

    def _plausible(self) -> str:
        limits = self.item.limits
        if limits is None or self.item.unit is None:
            return ""
        low, high = limits.plausible
        return self.say("form.usually", low=low, high=high, unit=self.catalogue.units.shown(self.item.unit))

    def _whole_by_itself(self, side: Side | None) -> bool:
        """Whether an Observation that others extract would lack neither its side nor its place, be of now,
        and of the question that its published codes ask, whatever the answer.

        SDC, Form Data Extraction, Observation-based: the time of the extracted Observation is that of the response.
        """
        item = self.item
        sided = item.sides in (Sides.EACH, Sides.OPTIONAL, Sides.EITHER) and side not in item.codes_by.side
        past = item.minutes_after_birth is not None or self.catalogue.may_precede(item)
        elsewhere = any(answer.own_question for answer in item.answers)
        return not (sided or item.sites or past or item.computed or elsewhere)

    def _answers(self, link_id: str, side: Side | None) -> tuple[FormNode, ...]:
        item = self.item
        match item.type:
            case ItemType.QUANTITIES:
                return tuple(self._component(link_id, c.id) for c in item.components)
            case ItemType.SCORE:
                total = self._value(
                    f"{link_id}.total", QuestionType.INTEGER, self.say("form.total"), ("total",), side
                )
                return (total, *(self._sign(link_id, sign) for sign in item.signs))
            case ItemType.TIME:
                time = self._value(f"{link_id}.time", QuestionType.DATE_TIME, self.say("form.time"), ("time",), side)
                answer = FormNode(
                    f"{link_id}.value", QuestionType.CHOICE, self.say("form.or"), ("value",), options=self._options()
                )
                return (time, answer) if item.offered else (time,)
            case ItemType.QUANTITY:
                return (
                    self._value(f"{link_id}.value", QuestionType.QUANTITY, self.say("form.value"), ("value",), side),
                )
            case ItemType.TEXT:
                return (
                    self._value(f"{link_id}.value", QuestionType.TEXT, self.say("form.in_words"), ("value",), side),
                )
        return (
            self._value(f"{link_id}.value", QuestionType.OPEN_CHOICE, self.say("form.finding"), ("value",), side),
        )

    def _value(
        self, link_id: str, kind: QuestionType, text: str, key: tuple[str, ...], side: Side | None
    ) -> FormNode:
        item = self.item
        extract = self._whole_by_itself(side)
        low, high = _ends(item.limits)
        return FormNode(
            link_id,
            kind,
            text,
            key,
            codes=tuple(self.codings.question(item.id, side)),
            repeats=item.type is ItemType.CHOICES,
            options=self._options() if kind is QuestionType.OPEN_CHOICE else (),
            units=self._units() if kind is QuestionType.QUANTITY else (),
            low=low,
            high=high,
            whole=item.whole_numbers,
            extract=extract,
            category=self.catalogue.category(item).value if extract else "",
        )

    def _options(self) -> tuple[Option, ...]:
        item = self.item
        return tuple(of_codings(answer.id, self.codings.answer(item.id, answer.id)) for answer in item.offered)

    def _units(self) -> tuple[Json, ...]:
        """Every unit that the item is taken in, the item's own first."""
        units = self.catalogue.units
        every = [units[self.item.unit]] if self.item.unit else []
        every += [unit for dimension in dimensions_of(self.item, units) for unit in units.of_dimension(dimension)]
        known = {unit.ucum: unit.symbol or unit_name(unit) for unit in every}
        system = self.catalogue.uri("ucum")
        return tuple({"system": system, "code": ucum, "display": shown} for ucum, shown in known.items())

    def _component(self, link_id: str, name: str) -> FormNode:
        component = self.item.component(name)
        assert component is not None, f"{self.item.id} has no component {name}"
        low, high = _ends(component.limits)
        return FormNode(
            f"{link_id}.component.{name}",
            QuestionType.QUANTITY,
            component.label,
            ("components", name),
            codes=tuple(self.codings.component(self.item.id, name)),
            units=self._units(),
            low=low,
            high=high,
            whole=self.item.whole_numbers,
        )

    def _sign(self, link_id: str, sign: Sign) -> FormNode:
        options = tuple(
            of_codings(answer.id, self.codings.sign_answer(self.item.id, sign.id, answer.id))
            for answer in sign.answers
        )
        codes = tuple(self.codings.sign(self.item.id, sign.id))
        key = ("signs", sign.id)
        return FormNode(
            f"{link_id}.sign.{sign.id}", QuestionType.CHOICE, sign.label, key, codes=codes, options=options
        )

    def _where(self, link_id: str) -> tuple[FormNode, ...]:
        item = self.item
        found: list[FormNode] = []
        if item.sites:
            sites = terms(self.catalogue, "site", (self.catalogue.sites[site] for site in item.sites))
            text = self.say("form.where" if item.site_required else "form.where_if_one")
            found.append(FormNode(f"{link_id}.site", QuestionType.CHOICE, text, ("site",), options=sites))
        sides = {
            Sides.EACH: (Side.LEFT, Side.RIGHT) if item.sites else (),
            Sides.OPTIONAL: (Side.LEFT, Side.RIGHT),
            Sides.PAIR: (Side.BOTH,),
            Sides.EITHER: (Side.LEFT, Side.RIGHT, Side.BOTH),
        }.get(item.sides, ())
        if sides:
            options = tuple(of_codings(side.value, self.codings.side(side)) for side in sides)
            found.append(
                FormNode(f"{link_id}.side", QuestionType.CHOICE, self.say("form.side"), ("side",), options=options)
            )
        return tuple(found)

    def _counted(self, link_id: str) -> tuple[FormNode, ...]:
        if self.item.count_seconds is None:
            return ()
        second = {"system": self.catalogue.uri("ucum"), "code": "s", "display": "s"}
        text = self.say("form.counted", seconds=self.item.count_seconds)
        key = ("counted_seconds",)
        return (
            FormNode(f"{link_id}.counted_seconds", QuestionType.DECIMAL, text, key, units=(second,), low=1, high=600),
        )

    def _not_examined(self, link_id: str, answers: tuple[FormNode, ...]) -> FormNode:
        """The reason, one question away: asked as long as there is no answer."""
        return FormNode(
            f"{link_id}.not_examined",
            QuestionType.CHOICE,
            self.say("form.not_examined"),
            ("not_examined",),
            options=terms(self.catalogue, "reason", self.catalogue.reasons.values()),
            list_of="reasons",
            when=tuple(EnableWhen(answer.link_id, "exists", ("valueBoolean", False)) for answer in answers),
            when_all=True,
        )

    def _state(self, link_id: str) -> FormNode:
        states = terms(self.catalogue, "state", self.catalogue.states.values())
        text = self.say("form.state")
        return FormNode(f"{link_id}.state", QuestionType.CHOICE, text, ("state",), options=states, list_of="states")

    def _details(self, link_id: str) -> tuple[FormNode, ...]:
        methods = terms(self.catalogue, "method", self.catalogue.methods.values())
        urgencies = tuple(Option(one.value, self.codings.urgency(one)) for one in Urgency)
        plus = FormNode(
            f"{link_id}.plus", QuestionType.QUANTITY, self.say("form.plus"), ("plus",), units=self._units()
        )
        details = (
            *((plus,) if self.item.type is ItemType.QUANTITY and len(plus.units) > 1 else ()),
            FormNode(
                f"{link_id}.method",
                QuestionType.CHOICE,
                self.say("form.how"),
                ("method",),
                options=methods,
                list_of="methods",
            ),
            *(() if self.item.states else (self._state(link_id),)),
            FormNode(f"{link_id}.observed_at", QuestionType.DATE_TIME, self.say("form.when"), ("observed_at",)),
            FormNode(
                f"{link_id}.urgency",
                QuestionType.CHOICE,
                self.say("form.urgency"),
                ("urgency",),
                options=urgencies,
                list_of="urgencies",
            ),
            FormNode(f"{link_id}.note", QuestionType.TEXT, self.say("form.note"), ("note",)),
        )
        wanted = (EnableWhen(f"{link_id}.more", "=", ("valueBoolean", True)),)
        return (
            FormNode(f"{link_id}.more", QuestionType.BOOLEAN, self.say("form.more"), ("more",)),
            FormNode(
                f"{link_id}.details", QuestionType.GROUP, self.say("form.details"), children=details, when=wanted
            ),
        )


def _ends(limits: Limits | None) -> tuple[Decimal | None, Decimal | None]:
    return limits.possible if limits is not None else (None, None)
