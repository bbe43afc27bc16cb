"""What stands in the templates of a group of findings: each element as the builder makes it for each option.

Conditions and values are FHIRPath on the group in a response (HL7 SDC 4.0.0, template-based extraction).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive.finding import implied_methods
from adapter.derive.form import Form
from adapter.derive.judgement import meanings
from adapter.exam import Side, Urgency, ValueKind
from adapter.fhir.identity import Name
from adapter.fhir.json import Json
from adapter.fhir.observation import NOTHING, Head, observation_of
from adapter.fhir.observation_templates import ExamReferences
from adapter.fhir.parts import ABSENT, WRITTEN_UNIT, parts
from adapter.forms.questionnaire.variants import (
    Choice,
    Question,
    Variants,
    copied,
    is_one_of,
    looked_up,
    only_where,
    quoted,
    valued,
    within,
)
from adapter.read.questionnaire.node import FormNode

EXAM = "%resource.item.where(linkId='about.exam').item.where(linkId='{}').answer.value"
_NEWBORN = "%resource.item.where(linkId='about.newborn').item.where(linkId='{}').answer.value"
"""FHIRPath formats: the answer of a question about the exam, or the newborn."""
_HEAD = Head(
    Name("Observation", "", "", ""),
    "",
    ExamReferences({}, {}, [{}], "", "collection", lambda _name, content: content),
)


def path_in(group: FormNode, child: FormNode) -> str:
    """The FHIRPath from a group of findings to the value of a question in it; empty where it is none."""
    if not child.key or child.is_list:
        return ""
    within_details = "" if child in group.children else f"item.where(linkId='{group.link_id}.details')."
    return f"{within_details}item.where(linkId='{child.link_id}').answer.value"


@dataclass
class GroupContent:
    """The elements of the Observations of a group of findings: ``node`` of the form, of one ``side`` or of none."""

    item: Item
    side: Side | None
    node: FormNode
    catalogue: Catalogue

    def __post_init__(self) -> None:
        self.parts = parts(self.catalogue)
        self.children = {child.key: child for child in self.node.walk() if child.key and not child.is_list}

    # paths

    def path(self, *key: str) -> str:
        """The value of a question of the group; ``{}``, nothing, where the form does not ask it."""
        child = self.children.get(key)
        if child is None:
            return "{}"
        path = path_in(self.node, child)
        # Two answers in one repetition are two findings: none of them is taken for the whole.
        return path.replace("')", "' and answer.count()=1)") if key == ("value",) else path

    def asked(self, *key: str) -> Question:
        """A question as what decides; of options by our own codes."""
        child = self.children.get(key)
        options: dict[str | None, Sequence[str]] = (
            {o.id: [o.coding["code"]] for o in child.options} if child is not None else {}
        )
        return Question(self.path(*key), {None: (), **options})

    # what the builder says

    def built(self, choice: Choice) -> Json:
        """The Observation of a choice of options, as the builder makes it."""
        reason = choice.get("not_examined")
        answer, side, urgency = choice.get("value"), choice.get("side"), choice.get("urgency")
        judged = meanings(self.catalogue).get((self.item.id, answer)) if answer else None
        form = Form(
            item=self.item.id,
            not_examined=reason,
            side=self.side or (Side(side) if side else None),
            site=choice.get("site"),
            method=choice.get("method"),
            state=choice.get("state"),
            urgency=Urgency(urgency) if urgency else None,
            plain=False,
            implied_method=choice.get("implied"),
            kind=ValueKind.NOT_EXAMINED if reason else ValueKind.ANSWER,
            answer=answer,
            unit=None,
            other_unit=choice.get("unit"),
            comparator=None,
            status="final",
            judged=None if judged is None else judged[:3],
            expected=None,
            remark=None,
        )
        return observation_of(form, NOTHING, None, None, _HEAD, self.parts)

    def variants(self, **questions: Question) -> Variants:
        """The builder's Observations over the options of some questions."""
        return Variants({name: q for name, q in questions.items() if len(q.options) > 1}, self.built)

    def unsaid(self) -> list[str]:
        """What was answered so that a template cannot say it: several answers in a group, two amounts for one."""
        several = f"item.where(linkId='{self.node.link_id}.value').where(answer.count()>1)"
        found = [several] if ("value",) in self.children else []
        if self.item.profile and self.item.components:  # R4 fixes the unit of a blood pressure
            numbers = f"item.where(linkId.startsWith('{self.node.link_id}.component.')).answer.value"
            found.append(f"{numbers}.where(code!={quoted(self.item.unit or '')})")
        return [*found, self.path("plus")] if ("plus",) in self.children else found

    def status(self) -> str:
        """Of what was not examined that a later exam is to do it, or that it was not done; else the record's."""
        of_record, reason = f"{EXAM.format('exam.status')}.code", self.path("not_examined")
        later = is_one_of(one.id for one in self.catalogue.reasons.values() if one.deferred) or "false"
        else_so = f"iif({of_record}.exists(), {of_record}, 'final')"
        not_done = (
            f"iif({reason}.where({later}).exists(), 'registered', iif({reason}.exists(), 'cancelled', {else_so}))"
        )
        return f"iif({of_record}='entered-in-error', 'entered-in-error', {not_done})"

    def effective(self) -> str:
        """The finding's own time, else the moment of birth that it belongs to, else the exam's beginning."""
        usual = EXAM.format("exam.started")
        if self.item.minutes_after_birth is not None:
            usual = _NEWBORN.format("newborn.birth_time")
            if self.item.minutes_after_birth:
                usual += f" + {self.item.minutes_after_birth} minutes"
        own = self.path("observed_at")
        return f"iif({own}.exists(), {own}, {usual})"

    def code(self) -> list[Json]:
        """The codings of the question, which may be others by answer, side, place, method or unit."""
        item, by = self.item, self.item.codes_by
        units: dict[str | None, Sequence[str]] = {o.unit: self._units_of(o.unit) for o in item.other_units}
        questions = {
            "value": self.asked("value") if any(a.own_question for a in item.answers) else None,
            "side": self.asked("side") if by.side else None,
            "site": self.asked("site") if by.site else None,
            "method": self.asked("method") if by.method else None,
            "unit": Question(self.path("value"), {None: (), **units}) if units else None,
        }
        return self.variants(**{k: q for k, q in questions.items() if q}).elements(lambda one: one["code"]["coding"])

    def _units_of(self, ucum: str) -> list[str]:
        units = self.catalogue.units
        return [unit.ucum for unit in units.of_dimension(units[ucum].dimension)]

    def values(self) -> list[tuple[str, Json]]:
        """``value[x]`` as it is answered, and when it has this make; a total where it was given or each sign was."""
        item, value = self.item, self.path("value")
        match item.type:
            case ItemType.QUANTITIES:
                return [("true", {})]
            case ItemType.SCORE:
                return [("true", {"_valueInteger": valued(self.total())})]
            case ItemType.QUANTITY:
                beyond, number = f"{value}.comparator.exists()", self._quantity("value")
                compared = {**number, "comparator": "<", **copied("comparator")}
                return [
                    (f"{beyond}.not()", {"valueQuantity": within(value, number)}),
                    (beyond, {"valueQuantity": within(value, compared)}),
                ]
            case ItemType.TEXT:
                return [("true", {"_valueString": valued(value)})]
            case ItemType.TIME if item.offered:
                time = f"{self.path('time')}.exists()"
                coded = {"valueCodeableConcept": self._chosen()}
                return [(time, {"_valueDateTime": valued(self.path("time"))}), (f"{time}.not()", coded)]
            case ItemType.TIME:
                return [("true", {"_valueDateTime": valued(self.path("time"))})]
        return [("true", {"valueCodeableConcept": self._chosen()})]

    def _chosen(self) -> Json:
        """The answer with all its codings, our own as it was answered; or words."""
        value = self.path("value")
        given = f"{value}.ofType(Coding)"
        published = self.published("value", given, lambda one: one["valueCodeableConcept"])
        text = f"iif({given}.exists(), {given}.display, {value})"
        return {"coding": [*published, valued(given)], "_text": valued(text)}

    def published(self, name: str, path: str, pick: Callable[[Json], Json]) -> list[Json]:
        """The published codings of the options of a question, as they stand in the concept that is picked."""
        child = self.children[(name,)]
        return looked_up(
            path, {o.coding["code"]: pick(self.built({name: o.id}))["coding"][:-1] for o in child.options}
        )

    def _quantity(self, *key: str) -> Json:
        """As captured, in the unit's spelling where the response keeps it; the item's own unit holds the place."""
        written = f"extension.where(url={quoted(f'{self.catalogue.settings.canonical}/{WRITTEN_UNIT}')}).value"
        unit = {"_unit": valued(f"iif({written}.exists(), {written}, unit)")}
        units = self.children[key].units
        usual = self.parts.unit(units[0]["code"], units[0]["code"])
        fixed = len(units) == 1 or (self.item.profile and key[0] == "components")
        return {**usual, **copied("value"), **unit, **({} if fixed else copied("code"))}

    def total(self) -> str:
        """The total, or the sum of the signs where each was given; of the signs of a group, exactly one."""
        groups: dict[str, list[str]] = {}
        for sign in self.item.signs:
            path = f"{self.path('signs', sign.id)}.code"
            points = "{}"
            for answer in reversed(sign.answers):
                points = f"iif({path}={quoted(f'{self.item.id}.{sign.id}.{answer.id}')}, {answer.points}, {points})"
            groups.setdefault(sign.group or sign.id, []).append(f"({points})")
        slots = [one[0] if len(one) == 1 else _only_one(one) for one in groups.values()]
        given = self.path("total")
        return f"iif({given}.exists(), {given}, {' + '.join(slots)})"

    def absent(self) -> Json:
        """Why there is no value: not examined and why; or answered in a way that a template cannot say."""
        reason = self.path("not_examined")
        known = self.published("not_examined", reason, lambda one: one["dataAbsentReason"])
        unsupported = {"system": ABSENT, "code": "unsupported", "display": "Unsupported"}
        coding = [*known, valued(reason)]
        if unsaid := " or ".join(f"{one}.exists()" for one in self.unsaid()):
            coding.append(only_where(unsaid, unsupported))
        return {"coding": coding, "_text": valued(f"{reason}.display")}

    def interpretation(self) -> list[Json]:
        """What an answer means where it means the same at any age, and the examiner did not raise it."""
        if not self.item.offered:
            return []
        value, raised = self.path("value"), self.path("urgency")
        known: dict[int, dict[str, list[Json]]] = {}
        for option in self.children[("value",)].options:
            for one in self.built({"value": option.id}).get("interpretation", ()):
                known.setdefault(len(one["coding"]), {})[option.coding["code"]] = one["coding"]
        return [
            within(
                f"iif({raised}.exists(), {{}}, {value}.ofType(Coding).where({is_one_of(by_code)}))",
                {"coding": looked_up("", by_code)},
            )
            for by_code in known.values()
        ]

    def body_site(self) -> Json:
        """The place, implied or chosen, with its side."""
        every = self.variants(site=self.asked("site"), side=self.asked("side"))
        coding = every.elements(lambda one: one.get("bodySite", {"coding": []})["coding"])
        text = every.text(lambda one: one.get("bodySite", {}).get("text"))
        return {"bodySite": {"coding": coding, **text}} if coding else {}

    def method(self, implied: bool) -> Json:
        """The method, chosen or, of what was examined, ``implied``."""
        chosen = self.path("method")
        known = self.published("method", "", lambda one: one["method"])
        own = {**copied("system", "code", "display"), "userSelected": True}
        usual = list(self._implied(f"{chosen}.empty()")) if implied else []
        if not usual:
            return within(chosen, {"coding": [*known, own], "_text": valued("display")})
        coding = [*self.published("method", chosen, lambda one: one["method"]), within(chosen, own)]
        told = f"{chosen}.display"
        for method, condition in usual:
            concept = self.built({"implied": method})["method"]
            coding += [only_where(condition, one) for one in concept["coding"]]
            told = f"iif({condition}, {quoted(concept['text'])}, {told})"
        return {"coding": coding, "_text": valued(told)}

    def _implied(self, none_chosen: str) -> Iterator[tuple[str, str]]:
        """What goes without saying, and when: of a total that is the sum of all signs, that it was summed."""
        usual, summed = implied_methods(self.catalogue)[self.item.id], "false"
        if self.item.signs:
            signs = f"item.where(linkId.startsWith('{self.node.link_id}.sign.')).count()={len(self.item.signs)}"
            summed = f"{self.path('total')}.empty() and {signs}"
            yield "summed", f"{none_chosen} and {summed}"
        if usual is not None:
            yield usual, f"{none_chosen} and ({summed}).not()" if self.item.signs else none_chosen

    def details(self) -> Iterator[Json]:
        """Side, state, time counted and urgency, as the builder writes them: components, or extensions."""
        name = "extension" if self.item.profile else "component"
        place = self.variants(side=self.asked("side"), site=self.asked("site"))
        yield from place.elements(lambda one: one.get(name, ()))
        bare = self.built({}).get(name, [])
        if ("state",) in self.children:
            yield self._detail("state", bare, name)
        yield from self._counted()
        yield self._detail("urgency", bare, name)

    def _detail(self, question: str, bare: Sequence[Json], name: str) -> Json:
        """The state or the urgency: the answered code, with the published codings beside it."""

        def detail(option: str) -> Json:
            found: Json = next(d for d in self.built({question: option}).get(name, ()) if d not in bare)
            return found

        options = self.children[(question,)].options
        first = detail(options[0].id)
        known = {o.coding["code"]: _concept_in(detail(o.id))["coding"][:-1] for o in options}
        concept = {"coding": [*looked_up("", known), valued("$this")], "_text": valued("display")}
        return within(self.path(question), _with_concept(first, concept))

    def _counted(self) -> Iterator[Json]:
        if ("counted_seconds",) not in self.children:
            return
        seconds = {"_value": valued("$this"), **self.parts.unit("s", "s")}
        counted = {"code": self.parts.detail("counted-seconds"), "valueQuantity": seconds}
        yield within(self.path("counted_seconds"), self.parts.as_detail(counted, self.item))

    def components(self) -> Iterator[Json]:
        """The numbers of a measurement that has several, or the signs of a score."""
        item = self.item
        for component in item.components:
            number = {
                "code": self.parts.component(item.id, component.id),
                "valueQuantity": self._quantity("components", component.id),
            }
            yield within(self.path("components", component.id), number)
        for sign in item.signs:
            question = self.asked("signs", sign.id)
            for answer in sign.answers:
                yield only_where(question.holds([answer.id]), self.parts.sign(item.id, sign.id, answer.id))

    def missing(self) -> list[Json]:
        """What stands in components of why something was not examined."""
        bare = self.built({}).get("component", [])
        options = self.children[("not_examined",)].options
        each = [
            c for c in self.built({"not_examined": options[0].id}).get("component", ()) if "dataAbsentReason" in c
        ]
        every = self.variants(not_examined=self.asked("not_examined"))
        rest = every.elements(
            lambda one: [c for c in one.get("component", ()) if c not in bare and "dataAbsentReason" not in c]
        )
        return [*({**component, "dataAbsentReason": self.absent()} for component in each), *rest]


def _only_one(points: Sequence[str]) -> str:
    """The points of the one sign of a group that was given; nothing where two were."""
    one, other = points
    return f"iif({one}.exists() and {other}.exists(), {{}}, {one}.combine({other}))"


def _concept_in(detail: Json) -> Json:
    """The value of a component, or of the extension that stands for one."""
    found: Json = (
        detail["extension"][1]["valueCodeableConcept"] if "url" in detail else detail["valueCodeableConcept"]
    )
    return found


def _with_concept(detail: Json, concept: Json) -> Json:
    if "url" in detail:
        code, value = detail["extension"]
        return {**detail, "extension": [code, {**value, "valueCodeableConcept": concept}]}
    return {**detail, "valueCodeableConcept": concept}
