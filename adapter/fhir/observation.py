"""One finding becomes one Observation (FHIR R4 Observation, section 10.1; the patterns are in DEVELOPERS.md)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from operator import itemgetter

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive import (
    Computed,
    Evidence,
    Maker,
    component_judgement,
    component_numbers,
    expected_range,
    made_at,
    score_total,
)
from adapter.exam import Amount, At, Exam, Finding, Quantities, Quantity, Score, Status
from adapter.fhir.alike import Made, Own
from adapter.fhir.claims import with_claims
from adapter.fhir.identity import SOFTWARE, Name
from adapter.fhir.templates import Circumstances, Json, Templates

CAPTURED = "StructureDefinition/captured-quantity"
ON_RECORD = "Made by the software from what is on record for the newborn."
SUMMED = "Total summed from its signs by the software."


@dataclass(frozen=True, slots=True)
class Around:
    """What all Observations of one exam share."""

    exam: Exam
    catalogue: Catalogue
    parts: Templates
    own: Own

    @property
    def subject(self) -> Json:
        """A reference to the newborn."""
        return self.own.subject

    @property
    def encounter(self) -> Json:
        """A reference to the encounter."""
        return self.own.encounter

    @property
    def performers(self) -> list[Json]:
        """References to the examiners."""
        return self.own.performer


def instant(moment: datetime) -> str:
    """A moment as FHIR dateTime or instant, to the second or finer, with the offset it was captured with."""
    return moment.isoformat()


def observation(one: Evidence, name: Name, around: Around, derived_from: list[Json] | None = None) -> Json | Made:
    """The Observation of a finding; keys in the order of the standard.

    ``derived_from`` holds references to what a computed finding rests on (none: the newborn's own record). Where only
    bytes are wanted, one that is like others is only made when it is written.
    """
    key = _key(one, around)
    if key is None:
        return _observation(one, name, around, derived_from)
    alike = around.parts.alike.get(key)
    if alike is None:
        first = with_claims(_observation(one, name, around, derived_from), around.catalogue)
        if (alike := around.parts.keep_alike(key, first, one.finding.value)) is None:
            return first
    effective = _effective(one, around)
    number = one.finding.value.value if alike.measured else None  # type: ignore[union-attr]
    if around.parts.written:
        return Made(alike, name, effective, number, around.own)
    return alike.filled(name, effective, number, around.own)


# The fields of a finding, all at once: a model's attributes are slow to reach one by one.
_FURTHER = itemgetter("note", "text", "counted_seconds")
_FIELDS = itemgetter("item", "not_examined", "side", "site", "method", "state", "urgency")
_NOTHING = (None, None, None)


def _key(one: Evidence, around: Around) -> tuple[object, ...] | None:
    """What all of an Observation depends on but its name, its time, its digits, and whom it is about and by.

    None where there is more: words, several numbers, or what a computed finding rests on.
    """
    fields, judged = one.finding.__dict__, one.judged
    value = fields["value"]
    if one.computed is not None or _FURTHER(fields) != _NOTHING or fields["item"] in around.parts.split:
        return None
    if isinstance(value, Quantity):
        if value.plus is not None:
            return None
        expected = expected_range(one.finding, one.item, around.exam, around.catalogue)
        value = (value.unit, value.comparator, id(expected))
    elif value is not None and type(value) is not str:
        return None
    return value, _FIELDS(fields), around.own.status, judged and judged[:3]


def _effective(one: Evidence, around: Around) -> str:
    """When the finding was made; for most, when the exam began."""
    fields = one.finding.__dict__
    if fields["observed_at"] is None and fields["item"] not in around.parts.at_birth:
        return around.own.started
    return instant(made_at(one.finding, one.item, around.exam))


def _observation(one: Evidence, name: Name, around: Around, derived_from: list[Json] | None) -> Json:
    finding, item, judged, computed = one.finding, one.item, one.judged, one.computed
    exam, parts = around.exam, around.parts
    other = _other_unit(finding, item, around.catalogue) if item.other_units else None
    own_question = parts.own_question(item.id, finding.value)
    fixed = parts.circumstances(
        item.id, finding.side, finding.site, finding.method, finding.state, finding.urgency, other, own_question
    )
    details = _details(finding, item, fixed, parts)
    resource: Json = {"resourceType": "Observation"}
    if fixed.meta is not None:
        resource["meta"] = fixed.meta
    if parts.language is not None:
        resource["language"] = parts.language
    if fixed.meta is not None and details:
        resource["extension"] = details
    resource["identifier"] = [{"system": name.system, "value": name.value}]
    resource["status"] = _status(finding, exam, around.catalogue)
    resource["category"] = fixed.category
    resource["code"] = fixed.question
    resource["subject"] = around.subject
    resource["encounter"] = around.encounter
    resource["effectiveDateTime"] = _effective(one, around)
    resource["performer"] = around.performers
    components, notes = _value(resource, finding, item, around)
    maker = None if computed is None else computed.maker
    if computed is not None and maker is not None:
        _found_by(resource, computed, maker, around)
        notes += [_our_note(computed.reason)] if computed.reason else []
    if finding.not_examined is not None:
        resource["dataAbsentReason"] = parts.absent(finding.not_examined)
    if judged is not None:
        resource["interpretation"] = parts.interpretation(judged.meaning, judged.flag, judged.urgency)
    if finding.note is not None:
        notes.insert(0, {"text": finding.note})
    if derived_from == []:
        notes.append(_our_note(ON_RECORD))
    if notes:
        resource["note"] = notes
    if fixed.body_site is not None:
        resource["bodySite"] = fixed.body_site
    if maker is not None:
        resource["method"] = parts.maker(maker)
    elif (method := finding.method or default_method(finding, item)) is not None:
        resource["method"] = parts.method(method, finding.method is not None)
    if item.type is ItemType.QUANTITY and finding.not_examined is None:
        expected = expected_range(finding, item, exam, around.catalogue)
        if expected is not None and item.unit is not None:
            resource["referenceRange"] = parts.reference_range(expected, item, other)
    if derived_from:
        resource["derivedFrom"] = derived_from
    if fixed.meta is None:
        components += details
    if components:
        resource["component"] = components
    return resource


def _found_by(resource: Json, computed: Computed, maker: Maker, around: Around) -> None:
    """The value of what a rule or a comparison found: the rule, beside its words."""
    if computed.urgency is not None:
        resource.pop("valueString", None)
        concept = {"coding": [around.parts.own("rule", maker.id, maker.label)], "text": computed.finding.text}
        resource["valueCodeableConcept"] = concept


def _other_unit(finding: Finding, item: Item, catalogue: Catalogue) -> str | None:
    """The unit of another dimension in which the value was captured and is sent, under codes of its own."""
    if not item.other_units or not isinstance(finding.value, Quantity):
        return None
    other = catalogue.other_unit(finding.value, item)
    return other.unit if other else None


def _status(finding: Finding, exam: Exam, catalogue: Catalogue) -> str:
    """Not examined is ``cancelled`` (R4: not completed), or ``registered`` where a later exam is to do it."""
    if exam.details.status is Status.ENTERED_IN_ERROR:
        return "entered-in-error"
    if finding.not_examined is not None:
        return "registered" if catalogue.reasons[finding.not_examined].deferred else "cancelled"
    return exam.details.status.value


def _value(resource: Json, finding: Finding, item: Item, around: Around) -> tuple[list[Json], list[Json]]:
    """Put in the value; give back the components and notes that belong to it."""
    value, parts = finding.value, around.parts
    notes: list[Json] = []
    if finding.text is not None:
        if item.answers:
            resource["valueCodeableConcept"] = {"text": finding.text}
        else:
            resource["valueString"] = finding.text
    elif isinstance(value, str):
        resource["valueCodeableConcept"] = parts.answer(item.id, value)
    elif isinstance(value, Quantity):
        resource["valueQuantity"] = _quantity(value, item, around, notes)
    elif isinstance(value, At):
        resource["valueDateTime"] = instant(value.time)
    elif isinstance(value, Score):
        return _score(resource, value, item, parts, notes), notes
    elif isinstance(value, Quantities):
        return _quantities(value, finding, item, around, notes), notes
    elif item.components:
        absent = parts.absent(str(finding.not_examined))
        needed = [c for c in item.components if c.required]
        return [{"code": parts.component(item.id, c.id), "dataAbsentReason": absent} for c in needed], notes
    return [], notes


def _quantity(value: Quantity, item: Item, around: Around, notes: list[Json]) -> Json:
    """In the item's UCUM unit; what was captured in another unit is kept beside it, digit for digit."""
    units, parts = around.catalogue.units, around.parts
    captured = units.find(value.unit)
    assert captured is not None, f"unit {value.unit} was not checked"
    other = around.catalogue.other_unit(value, item)
    wanted = captured.ucum if captured.ucum in item.kept_units else item.unit or captured.ucum
    wanted = other.unit if other else wanted
    quantity: Json = {}
    if value.plus is None and captured.ucum == wanted:
        quantity["value"] = value.value
        unit = parts.unit(wanted, value.unit)
    else:
        amounts: list[Quantity | Amount] = [value] if value.plus is None else [value, value.plus]
        quantity["extension"] = [
            _captured(around, amount.value, amount.unit, units[_ucum(around, amount.unit)].ucum) for amount in amounts
        ]
        quantity["value"] = units.convert(value, wanted)
        unit = parts.unit(wanted, wanted)
        places = Decimal(1).scaleb(-units[wanted].places)
        notes.append(_our_note(f"Captured as {value}; converted exactly, then rounded to {places:f} {wanted}."))
    if value.comparator is not None:
        quantity["comparator"] = value.comparator.value
    return {**quantity, **unit}


def _ucum(around: Around, spelling: str) -> str:
    unit = around.catalogue.units.find(spelling)
    assert unit is not None, f"unit {spelling} was not checked"
    return unit.ucum


def _captured(around: Around, value: Decimal, spelling: str, ucum: str) -> Json:
    url = f"{around.catalogue.settings.canonical}/{CAPTURED}"
    return {"url": url, "valueQuantity": {"value": value, **around.parts.unit(ucum, spelling)}}


def _our_note(text: str) -> Json:
    return {"authorString": SOFTWARE, "text": text}


def _score(resource: Json, score: Score, item: Item, parts: Templates, notes: list[Json]) -> list[Json]:
    total = score_total(score, item)
    if total is not None:
        resource["valueInteger"] = total
        if score.total is None:
            notes.append(_our_note(SUMMED))
    return [parts.sign(item.id, sign, answer) for sign, answer in score.signs.items()]


def _quantities(value: Quantities, finding: Finding, item: Item, around: Around, notes: list[Json]) -> list[Json]:
    """One component a number, each with its own interpretation and range (R4 blood pressure profile)."""
    components, captured = [], _ucum(around, value.unit)
    wanted = item.unit or captured
    for component_id, number in component_numbers(value, item, around.catalogue).items():
        quantity: Json = {}
        if captured != wanted:
            quantity["extension"] = [_captured(around, value.components[component_id], value.unit, captured)]
        spelling = value.unit if captured == wanted else wanted
        quantity |= {"value": number, **around.parts.unit(wanted, spelling)}
        component: Json = {
            "code": around.parts.component(item.id, component_id),
            "valueQuantity": quantity,
        }
        judged = component_judgement(finding, component_id, number, item, around.exam, around.catalogue)
        if judged is not None:
            component["interpretation"] = around.parts.interpretation(judged.meaning, judged.flag, judged.urgency)
        expected = expected_range(finding, item, around.exam, around.catalogue, component_id)
        if expected is not None and item.unit is not None:
            component["referenceRange"] = around.parts.reference_range(expected, item, None)
        components.append(component)
    if captured != wanted:
        notes.append(_our_note(f"Captured in {value.unit}; converted exactly, then rounded."))
    return components


def default_method(finding: Finding, item: Item) -> str | None:
    """The item's own method, for what was in fact examined; for a total that was summed here, that it was."""
    if finding.not_examined is not None:
        return None
    if (
        isinstance(finding.value, Score)
        and finding.value.total is None
        and len(finding.value.signs) == len(item.signs)
    ):
        return "summed"
    return "calculated" if item.computed and item.method is None and finding.method is None else item.method


def _details(finding: Finding, item: Item, fixed: Circumstances, parts: Templates) -> list[Json]:
    """How the finding was made: side, state, counted time, the examiner's own urgency.

    Components, and in an Observation of a vital signs profile extensions.
    """
    if finding.counted_seconds is None:
        return [*fixed.details, *fixed.marked]
    seconds = {"value": finding.counted_seconds, **parts.unit("s", "s")}
    counted = {"code": parts.detail("counted-seconds"), "valueQuantity": seconds}
    return [*fixed.details, parts.as_detail(counted, item), *fixed.marked]
