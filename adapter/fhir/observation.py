"""One finding becomes one Observation (FHIR R4 Observation, section 10.1; the patterns are in DEVELOPERS.md)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from adapter import SOFTWARE
from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive import Computed
from adapter.derive.finding import FindingView
from adapter.derive.form import Captured, Form, Part, Particulars, Sent
from adapter.derive.view import ExamView
from adapter.exam import Exam
from adapter.fhir.claims import with_claims
from adapter.fhir.earlier import EarlierExams
from adapter.fhir.identity import Identity, Name, Refer
from adapter.fhir.json import Json
from adapter.fhir.observation_templates import ExamReferences, TemplatedEntry
from adapter.fhir.parts import Circumstances, Parts

CAPTURED = "StructureDefinition/captured-quantity"
ON_RECORD, SUMMED = "note.on_record", "note.summed"
"""Keys of the notes by which a computed finding and a summed total are known again."""
CAPTURING = ("note.captured_as", "note.captured_in")
"""Keys of the notes that say in which unit a value was captured."""
JUDGING = ("judged.not", "judged.as_answer", "judged.as_abnormal")
"""Keys of the notes that say why something was not judged, or as what."""


@dataclass(frozen=True, slots=True)
class ExamMapping:
    """One exam on its way to resources: its view, the names and references of what it becomes, and the parts.

    ``refer`` makes a reference as the bundle has them, ``earlier`` to what earlier exams became.
    """

    view: ExamView
    parts: Parts
    identity: Identity
    refer: Refer
    references: ExamReferences
    earlier: EarlierExams

    @property
    def exam(self) -> Exam:
        """The exam."""
        return self.view.exam

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue."""
        return self.view.catalogue


class Head(NamedTuple):
    """Which Observation it is, when it was made, and whom it is about and by."""

    name: Name
    effective: str
    references: ExamReferences


def instant(moment: datetime) -> str:
    """A moment as FHIR dateTime or instant, to the second or finer, with the offset it was captured with."""
    return moment.isoformat()


def observation(
    one: FindingView, name: Name, mapping: ExamMapping, derived_from: list[Json] | None = None
) -> Json | TemplatedEntry:
    """The Observation of a finding; keys in the order of the standard.

    ``derived_from`` holds references to what a computed finding rests on (none: the newborn's own record). Where only
    bytes are wanted, one that has a template is only made when it is written.
    """
    parts, references, fields, kept = mapping.parts, mapping.references, one.finding.__dict__, one.kept
    # For most, the time is that of the exam's beginning.
    usual = fields["observed_at"] is None and fields["item"] not in parts.at_birth
    effective = references.started if usual else instant(one.made_at)
    template = parts.observations.get(kept) if kept is not None else None
    if template is None:
        form = one.form
        if not form.plain or form.item in parts.split:
            head, sent = Head(name, effective, references), one.sent if form.unit is not None else None
            return observation_of(form, one.particulars, sent, derived_from, head, parts)
        key = kept or form
        template = parts.observations.get(key)
        if template is None:
            sent = one.sent
            made = observation_of(form, NOTHING, sent, None, Head(name, effective, references), parts)
            if key in parts.observations:
                return made
            made = with_claims(made, mapping.catalogue)
            template = parts.keep(key, made, digits_alone=sent is None or not sent.captured)
            if template is None:
                return made
    number = one.digits if template.measured else None
    if parts.written:
        return TemplatedEntry(template, name, effective, number, references)
    return template.filled(name, effective, number, references)


NOTHING = Particulars()
"""What a finding says alone that says nothing but its form."""


def observation_of(
    form: Form, own: Particulars, sent: Sent | None, derived_from: list[Json] | None, head: Head, parts: Parts
) -> Json:
    """All that an Observation depends on stands in the arguments: what is static, its form, its own."""
    item, computed = parts.catalogue.items[form.item], own.computed
    fixed = parts.circumstances(
        form.item,
        form.side,
        form.site,
        form.method,
        form.state,
        form.urgency,
        form.other_unit,
        parts.own_question(form.item, form.answer),
    )
    details = _details(own, item, fixed, parts)
    resource: Json = {"resourceType": "Observation"}
    if fixed.meta is not None:
        resource["meta"] = fixed.meta
    if parts.language is not None:
        resource["language"] = parts.language
    if fixed.meta is not None and details:
        resource["extension"] = details
    resource["identifier"] = [{"system": head.name.system, "value": head.name.value}]
    resource["status"] = form.status
    resource["category"] = fixed.category
    resource["code"] = fixed.question
    resource["subject"] = head.references.subject
    resource["encounter"] = head.references.encounter
    resource["effectiveDateTime"] = head.effective
    resource["performer"] = head.references.performer
    resource |= _value(form, own, sent, item, parts)
    if form.not_examined is not None:
        resource["dataAbsentReason"] = parts.absent(form.not_examined)
    if form.judged is not None:
        meaning, urgency, flag = form.judged
        resource["interpretation"] = parts.interpretation(meaning, flag, urgency)
    notes = _notes(form, own, sent, parts)
    if derived_from == []:
        notes.append(_our_note(parts.catalogue.words.say(ON_RECORD)))
    if notes:
        resource["note"] = notes
    if fixed.body_site is not None:
        resource["bodySite"] = fixed.body_site
    if computed is not None and computed.maker is not None:
        resource["method"] = parts.maker(computed.maker)
    elif (method := form.method or form.implied_method) is not None:
        resource["method"] = parts.method(method, form.method is not None)
    if item.type is ItemType.QUANTITY and item.unit is not None and form.expected is not None:
        resource["referenceRange"] = parts.reference_range(form.expected, item, form.other_unit)
    if derived_from:
        resource["derivedFrom"] = derived_from
    components = _components(form, own, item, parts)
    if fixed.meta is None:
        components += details
    if components:
        resource["component"] = components
    return resource


def _value(form: Form, own: Particulars, sent: Sent | None, item: Item, parts: Parts) -> Json:
    """``value[x]``, where it has one: of what a rule or a comparison found, the rule beside its words."""
    if form.answer is not None:
        return {"valueCodeableConcept": parts.answer(form.item, form.answer)}
    if sent is not None:
        return {"valueQuantity": _quantity(sent, form, parts)}
    if own.text is not None:
        if own.computed is not None and (rule := _rule(own.computed, parts)) is not None:
            return {"valueCodeableConcept": rule}
        return {"valueCodeableConcept": {"text": own.text}} if item.answers else {"valueString": own.text}
    if own.total is not None:
        return {"valueInteger": own.total}
    return {} if own.moment is None else {"valueDateTime": instant(own.moment)}


def _rule(computed: Computed, parts: Parts) -> Json | None:
    if computed.maker is None or not computed.by_rule:
        return None
    maker = computed.maker
    return {"coding": [parts.own("rule", maker.id, maker.label)], "text": computed.finding.text}


def _quantity(sent: Sent, form: Form, parts: Parts) -> Json:
    """In the item's UCUM unit; what was captured in another unit is kept beside it, digit for digit."""
    captured = [_captured(one, parts) for one in sent.captured]
    quantity: Json = {"extension": captured} if captured else {}
    quantity["value"] = sent.number
    if form.comparator is not None:
        quantity["comparator"] = form.comparator.value
    return parts.as_printed({**quantity, **parts.unit(sent.unit, sent.spelling)}, "" if captured else sent.spelling)


def _captured(one: Captured, parts: Parts) -> Json:
    url = f"{parts.catalogue.settings.canonical}/{CAPTURED}"
    return {"url": url, "valueQuantity": {"value": one.number, **parts.unit(one.unit, one.spelling)}}


def _components(form: Form, own: Particulars, item: Item, parts: Parts) -> list[Json]:
    """The signs of a score, the numbers of a measurement that has several, or that these were not examined."""
    if form.not_examined is not None:
        absent = parts.absent(form.not_examined)
        needed = [c for c in item.components if c.required]
        found = [{"code": parts.component(form.item, c.id), "dataAbsentReason": absent} for c in needed]
        return found if item.profile else [*found, *parts.not_done(form.item, form.side, form.not_examined)]
    return [
        _component(one, item, parts) if one.answer is None else parts.sign(form.item, one.id, one.answer)
        for one in own.parts
    ]


def _component(one: Part, item: Item, parts: Parts) -> Json:
    """One number, with its own interpretation and range (R4 blood pressure profile)."""
    captured = one.captured
    assert captured is not None, "a number was captured"
    converted = _is_converted(captured, item)
    quantity: Json = {"extension": [_captured(captured, parts)]} if converted else {}
    unit = item.unit if converted and item.unit else captured.unit
    quantity |= {"value": one.number, **parts.unit(unit, unit if converted else captured.spelling)}
    quantity = parts.as_printed(quantity, "" if converted else captured.spelling)
    component: Json = {"code": parts.component(item.id, one.id), "valueQuantity": quantity}
    if one.judged is not None:
        judged = one.judged
        component["interpretation"] = parts.interpretation(judged.meaning, judged.flag, judged.urgency)
    if one.expected is not None and item.unit is not None:
        component["referenceRange"] = parts.reference_range(one.expected, item, None)
    return component


def _is_converted(captured: Captured, item: Item) -> bool:
    return item.unit is not None and captured.unit != item.unit


def _notes(form: Form, own: Particulars, sent: Sent | None, parts: Parts) -> list[Json]:
    """The examiner's note, then what the software did with the value and why it was told."""
    words = parts.catalogue.words
    found = [{"text": own.note}] if own.note is not None else []
    if sent is not None and sent.captured:
        digits = " ".join(f"{words.number(one.number)} {one.spelling}" for one in sent.captured)
        places = Decimal(1).scaleb(-parts.catalogue.units[sent.unit].places)
        value = f"{form.comparator or ''}{digits}"
        found.append(_our_note(words.say("note.captured_as", value=value, places=places, unit=sent.unit)))
    if own.summed and own.total is not None:
        found.append(_our_note(words.say(SUMMED)))
    if own.parts and (several := own.parts[0].captured) and _is_converted(several, parts.catalogue.items[form.item]):
        found.append(_our_note(words.say("note.captured_in", unit=several.spelling)))
    if form.remark is not None:
        found.append(_our_note(words.say("sentence", words=form.remark)))
    if own.computed is not None and own.computed.maker is not None and own.computed.reason:
        found.append(_our_note(own.computed.reason))
    if own.computed is not None and (exams := own.computed.exams):
        found.append(_our_note(words.say("note.rests_on", count=len(exams), exams=words.listed(exams))))
    return found


def _our_note(text: str) -> Json:
    return {"authorString": SOFTWARE, "text": text}


def _details(own: Particulars, item: Item, fixed: Circumstances, parts: Parts) -> list[Json]:
    """How the finding was made: side, state, counted time, the examiner's own urgency.

    Components, and in an Observation of a vital signs profile extensions.
    """
    if own.counted_seconds is None:
        return [*fixed.details, *fixed.marked]
    seconds = {"value": own.counted_seconds, **parts.unit("s", "s")}
    counted = {"code": parts.detail("counted-seconds"), "valueQuantity": seconds}
    return [*fixed.details, parts.as_detail(counted, item), *fixed.marked]
