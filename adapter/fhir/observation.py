"""One finding becomes one Observation (FHIR R4 Observation, section 10.1; the patterns are in DEVELOPERS.md)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from adapter.catalogue import Catalogue, Item, ItemType, Meaning, Range, Sides, Span
from adapter.derive import (
    Computed,
    Evidence,
    Maker,
    applicable,
    component_judgement,
    component_numbers,
    made_at,
    score_total,
)
from adapter.exam import Amount, At, Exam, Finding, Quantities, Quantity, Score, Side, Status
from adapter.fhir.identity import SOFTWARE, Name
from adapter.fhir.templates import Json, Templates

CAPTURED = "StructureDefinition/captured-quantity"
DETAIL = "StructureDefinition/finding-detail"
ON_RECORD = "Made by the software from what is on record for the newborn."
SUMMED = "Total summed from its signs by the software."


@dataclass(frozen=True, slots=True)
class Around:
    """What all Observations of one exam share."""

    exam: Exam
    parts: Templates
    subject: Json
    encounter: Json
    performers: list[Json]

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue that the parts were compiled from."""
        return self.parts.catalogue


def instant(moment: datetime) -> str:
    """A moment as FHIR dateTime or instant, to the second or finer, with the offset it was captured with."""
    return moment.isoformat()


def observation(one: Evidence, name: Name, around: Around, derived_from: list[Json] | None = None) -> Json:
    """The Observation of a finding; keys in the order of the standard.

    ``derived_from`` holds references to what a computed finding rests on (none: the newborn's own record).
    """
    finding, item, judged, computed = one.finding, one.item, one.judged, one.computed
    exam, parts = around.exam, around.parts
    resource: Json = {"resourceType": "Observation"}
    language = around.catalogue.settings.language
    if item.profile:
        resource["meta"] = {"profile": [item.profile]}
    if language is not None:
        resource["language"] = language
    details = _details(finding, item, around)
    if item.profile and details:
        # R4 binds the value of every component of a vital sign to units (ucum-vitals-common, required).
        resource["extension"] = [detail_extension(detail, around) for detail in details]
        details = []
    resource["identifier"] = [name.identifier]
    resource["status"] = _status(finding, exam, around.catalogue)
    resource["category"] = parts.category(around.catalogue.category(item).value)
    resource["code"] = parts.question(
        item.id, finding.side, finding.site, finding.method, _other_unit(finding, item, around.catalogue)
    )
    resource["subject"] = around.subject
    resource["encounter"] = around.encounter
    resource["effectiveDateTime"] = instant(made_at(finding, item, exam))
    if around.performers:
        resource["performer"] = around.performers
    components, notes = _value(resource, finding, item, around)
    if computed is not None and computed.maker is not None:
        _found_by(resource, computed, computed.maker, around)
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
    _where_and_how(resource, finding, item, around)
    if computed is not None and computed.maker is not None:
        resource["method"] = parts.maker(computed.maker)
    if item.type is ItemType.QUANTITY and finding.not_examined is None:
        other = _other_unit(finding, item, around.catalogue)
        _reference_range(resource, applicable(finding, item, exam), item, around, other)
    if derived_from:
        resource["derivedFrom"] = derived_from
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
    return [
        {
            "code": parts.sign(item.id, sign),
            "valueCodeableConcept": parts.sign_answer(item.id, sign, answer),
        }
        for sign, answer in score.signs.items()
    ]


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
        judged = component_judgement(finding, component_id, number, item, around.exam)
        if judged is not None:
            component["interpretation"] = around.parts.interpretation(judged.meaning, judged.flag, judged.urgency)
        bands = applicable(finding, item, around.exam, component_id)
        _reference_range(component, bands, item, around)
        components.append(component)
    if captured != wanted:
        notes.append(_our_note(f"Captured in {value.unit}; converted exactly, then rounded."))
    return components


def _where_and_how(resource: Json, finding: Finding, item: Item, around: Around) -> None:
    site = finding.site or item.body_site
    if site is not None:
        side = around.catalogue.sites[site].side or finding.side
        resource["bodySite"] = around.parts.body_site(site, side, finding.site is not None)
    method = finding.method or default_method(finding, item)
    if method is not None:
        resource["method"] = around.parts.method(method, finding.method is not None)


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


def _details(finding: Finding, item: Item, around: Around) -> list[Json]:
    """How the finding was made, as components: side, state, counted time, the examiner's own urgency.

    An Observation of a vital signs profile holds the same in extensions.
    """
    parts, found = around.parts, []
    if finding.side is not None:
        found.append(parts.side(finding.side, True))
    elif (implied := _implied_side(finding, item, around)) is not None:
        found.append(parts.side(implied, False))
    if finding.state is not None:
        found.append(parts.state(finding.state))
    if finding.counted_seconds is not None:
        seconds = {"value": finding.counted_seconds, **parts.unit("s", "s")}
        found.append({"code": parts.detail("counted-seconds"), "valueQuantity": seconds})
    if finding.urgency is not None:
        found.append(parts.urgency(finding.urgency))
    return found


def detail_extension(detail: Json, around: Around) -> Json:
    """A component of code and value as a complex extension."""
    value = {name: content for name, content in detail.items() if name != "code"}
    parts = [{"url": "code", "valueCodeableConcept": detail["code"]}, {"url": "value", **value}]
    return {"url": f"{around.catalogue.settings.canonical}/{DETAIL}", "extension": parts}


def _implied_side(finding: Finding, item: Item, around: Around) -> Side | None:
    """The side that the place has in its name, or that a finding about the pair is about both."""
    if finding.site is not None and (side := around.catalogue.sites[finding.site].side) is not None:
        return side
    return Side.BOTH if item.sides is Sides.PAIR else None


def _reference_range(
    holder: Json, bands: tuple[Range, ...], item: Item, around: Around, other: str | None = None
) -> None:
    """The expected range that applies, with its comparators, conditions and source in the text (obs-3).

    In the unit of the value: for one of another dimension the ends are converted by the item's molar mass.
    """
    expected = next((band for band in bands if band.meaning is Meaning.EXPECTED), None)
    if expected is None or item.unit is None:
        return
    unit = around.parts.unit(other or item.unit, other or item.unit)
    found: Json = {}
    for end, bound in (("low", expected.low), ("high", expected.high)):
        if bound is not None:
            found[end] = {"value": _end(bound.value, item, other, around.catalogue), **unit}
    if expected.when.age_hours is not None:
        found["age"] = _age_range(expected.when.age_hours, around)
    source = around.catalogue.sources[expected.source]
    converted = f", converted by {item.molar_mass} g/mol" if other else ""
    found["text"] = f"Expected {expected} {item.unit}{converted}; {source.label}"
    holder["referenceRange"] = [found]


def _end(value: Decimal, item: Item, other: str | None, catalogue: Catalogue) -> Decimal:
    if other is None or item.unit is None or item.molar_mass is None:
        return value
    return catalogue.units.between_mass_and_substance(Quantity(value=value, unit=item.unit), other, item.molar_mass)


def _age_range(span: Span, around: Around) -> Json:
    unit = around.parts.unit("h", "h")
    ends = {"low": span.low, "high": span.high}
    return {end: {"value": bound.value, **unit} for end, bound in ends.items() if bound is not None}
