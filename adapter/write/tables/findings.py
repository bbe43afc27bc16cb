"""The long table: one row per finding, captured or computed; what is not recorded has no row."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from adapter.catalogue import Catalogue, Category, Item, ItemType, Sides
from adapter.derive import Evidence, age_hours, made_at, number
from adapter.derive.completeness import side_of
from adapter.exam import Amount, At, Comparator, Finding, Quantities, Quantity, Score, Side, Status
from adapter.fhir.parts import interpretation_code
from adapter.write.tables.column import Column, Row, Type, hours, moment
from adapter.write.tables.known import Known
from adapter.write.tables.terms import (
    MEANINGS,
    SIDES,
    URGENCIES,
    answer_codes,
    question_codes,
    site_codes,
    terms,
    words,
)

_STATES = (("examined", "looked at, with what was found"), ("not_examined", "not looked at, for a reason"))
_ORIGINS = (("captured", "by the examiner"), ("computed", "by the software, from what is on record"))


def columns(catalogue: Catalogue) -> tuple[Column, ...]:
    """The columns of the long table."""
    text = Type.TEXT
    return (
        Column("finding_id", text, "The finding's identifier, exam/item[/side][/n]"),
        Column("observation_id", text, "The id of its FHIR Observation"),
        Column("exam_id", text, "The exam"),
        Column("exam_status", text, "How far the exam's record stands", allowed=words(Status)),
        Column("newborn_id", text, "The newborn: the id of the FHIR Patient"),
        Column("finding_number", Type.INTEGER, "Its place in the exam, from 1, computed ones last"),
        Column("origin", text, "Who made it", allowed=_ORIGINS),
        Column("region", text, "Body region", allowed=tuple((r.region, r.label) for r in catalogue.regions.values())),
        Column("item", text, "What was looked at", allowed=tuple((i.id, i.label) for i in catalogue.items.values())),
        Column("item_label", text, "What was looked at, in words"),
        Column("item_type", text, "How the item is answered", allowed=words(ItemType)),
        Column("category", text, "FHIR observation category", allowed=words(Category)),
        Column("side", text, "The infant's own side, given or in the name of the site", allowed=SIDES),
        Column("site", text, "Place on the body", allowed=terms(catalogue.sites)),
        Column("site_snomed", text, "SNOMED CT code of the place", several=True),
        Column("status", text, "Whether it was examined", allowed=_STATES),
        Column("not_examined", text, "Why it was not examined", allowed=terms(catalogue.reasons)),
        Column("value", text, "What was found as text: an answer's id, a number's digits, a moment, words"),
        Column("answer", text, "The answer's id"),
        Column("answer_code", text, "The answer's code in FHIR, item.answer"),
        Column("answer_label", text, "The answer in words; of a rule, what it says"),
        Column("number", Type.DECIMAL, "The number in the item's own unit; a score's total"),
        Column("unit", text, "The item's own unit (UCUM): one for all numbers of an item"),
        Column("comparator", text, "The true value lies beyond the number", allowed=words(Comparator)),
        Column("sent_number", Type.DECIMAL, "The number as FHIR holds it"),
        Column("sent_unit", text, "The unit as FHIR holds it (UCUM)"),
        Column("captured_number", text, "The number as captured, digit for digit"),
        Column("captured_unit", text, "The unit as captured"),
        *moment("moment", "What was found, where it is a moment"),
        Column("moment_age_hours", Type.DECIMAL, "Hours of life at that moment", "h"),
        Column("in_words", text, "What was found, where it was answered in free text"),
        Column("loinc", text, "LOINC codes of the question", several=True),
        Column("snomed", text, "SNOMED CT codes of the question", several=True),
        Column("answer_loinc", text, "LOINC codes of the answer", several=True),
        Column("answer_snomed", text, "SNOMED CT codes of the answer", several=True),
        Column("meaning", text, "What it says of the infant", allowed=MEANINGS),
        Column("not_judged", text, "Why nothing judged it, where nothing did: never expected"),
        Column(
            "judged_as", text, "The answer it was judged as, where its own is not true of this infant; abnormal: none"
        ),
        Column("interpretation", text, "HL7 v3 ObservationInterpretation as sent"),
        Column("urgency", text, "How soon the provider must hear of it", allowed=URGENCIES),
        Column("method", text, "How it was examined", allowed=terms(catalogue.methods)),
        Column("infant_state", text, "State of the infant", allowed=terms(catalogue.states)),
        Column("counted_seconds", Type.DECIMAL, "How long it was counted", "s"),
        *moment("observed", "When it was made"),
        Column("age_hours", Type.DECIMAL, "Hours of life when it was made", "h"),
        Column("note", text, "Free text beside it"),
        Column("rule", text, "The rule, table or comparison that computed it"),
        Column("rule_version", text, "Its version"),
        Column("derived_from", text, "The finding_id of what it was computed from", several=True),
    )


def rows(known: Known) -> Iterator[Row]:
    """One row for each finding of the exam."""
    for one in known.pool:
        yield _row(one, known)


def _row(one: Evidence, known: Known) -> Row:
    finding, item, exam, catalogue = one.finding, one.item, known.exam, known.catalogue
    name, made = known.names[one.index], made_at(finding, item, exam)
    site, side = finding.site or item.body_site, _side(finding, item, catalogue)
    answer = item.answer(finding.answer) if finding.answer else None
    sent_number, sent_unit = sent(finding, item, catalogue)
    total = number(finding, item, catalogue)
    return (
        name.value,
        name.uuid,
        exam.details.id,
        exam.details.status.value,
        known.newborn_id,
        one.index + 1,
        "captured" if one.computed is None else "computed",
        catalogue.region_of[item.id],
        item.id,
        item.label,
        item.type.value,
        catalogue.category(item).value,
        side.value if side else None,
        site,
        site_codes(catalogue, site, side)[1] if site else None,
        "examined" if finding.not_examined is None else "not_examined",
        finding.not_examined,
        _text(one, known),
        finding.answer,
        f"{item.id}.{finding.answer}" if answer else None,
        answer.label if answer else (finding.text if one.computed is not None else None),
        total,
        (item.unit if item.type is not ItemType.SCORE else "{score}") if total is not None else None,
        *_captured(finding, sent_number, sent_unit),
        *_moment(finding, known),
        finding.text if one.computed is None else None,
        *question_codes(
            catalogue,
            item.id,
            finding.side,
            finding.site,
            finding.method,
            _other(finding, item, catalogue),
            finding.answer,
        ),
        *(answer_codes(catalogue, item.id, finding.answer) if answer and finding.answer else (None, None)),
        *_judged(one),
        _method(one),
        finding.state,
        finding.counted_seconds,
        *known.moment(made),
        hours(age_hours(exam, made)),
        finding.note,
        *_rule(one, known),
    )


def _side(finding: Finding, item: Item, catalogue: Catalogue) -> Side | None:
    return side_of(finding, catalogue) or (Side.BOTH if item.sides in (Sides.PAIR, Sides.EITHER) else None)


def _other(finding: Finding, item: Item, catalogue: Catalogue) -> str | None:
    """The unit of another dimension, under which the question has codes of its own."""
    other = catalogue.other_unit(finding.value, item) if isinstance(finding.value, Quantity) else None
    return other.unit if other else None


def sent(finding: Finding, item: Item, catalogue: Catalogue) -> tuple[Decimal | None, str | None]:
    """Number and unit as the Observation has them: the item's unit, or one that it keeps or has besides."""
    value = finding.value
    captured = catalogue.units.find(value.unit) if isinstance(value, Quantity) else None
    if captured is None or not isinstance(value, Quantity):
        return None, None
    unit = _other(finding, item, catalogue)
    unit = unit or (captured.ucum if captured.ucum in item.kept_units else item.unit or captured.ucum)
    return catalogue.units.convert(value, unit), unit


def _captured(finding: Finding, sent_number: Decimal | None, sent_unit: str | None) -> Row:
    """Comparator, the number as sent with its unit, the number as captured with its unit."""
    value = finding.value
    if isinstance(value, Quantity):
        amounts: list[Quantity | Amount] = [value, value.plus] if value.plus else [value]
        digits = "+".join(f"{amount.value:f}" for amount in amounts)
        units = "+".join(amount.unit for amount in amounts)
        return value.comparator.value if value.comparator else None, sent_number, sent_unit, digits, units
    if isinstance(value, Score):
        return None, None, None, None if value.total is None else str(value.total), None
    return None, None, None, None, None


def _moment(finding: Finding, known: Known) -> Row:
    if not isinstance(finding.value, At):
        return None, None, None
    time = finding.value.time
    return *known.moment(time), hours(age_hours(known.exam, time))


def _text(one: Evidence, known: Known) -> str | None:
    """The value in one canonical text, whatever its type; of a rule, the rule."""
    value, computed = one.finding.value, one.computed
    if computed is not None and computed.maker is not None and computed.urgency is not None:
        return computed.maker.id
    if isinstance(value, str):
        return value
    if isinstance(value, Quantity):
        plus = f"+{value.plus.value:f}" if value.plus else ""
        return f"{value.comparator.value if value.comparator else ''}{value.value:f}{plus}"
    if isinstance(value, Quantities):
        return ";".join(f"{key}={number:f}" for key, number in value.components.items())
    if isinstance(value, Score):
        signs = ";".join(f"{sign}={answer}" for sign, answer in value.signs.items())
        return signs if value.total is None else f"total={value.total}" + (f";{signs}" if signs else "")
    if isinstance(value, At):
        return value.time.isoformat() if known.dated else None
    return one.finding.text


def _method(one: Evidence) -> str | None:
    """As the Observation has it: of what a rule or table made, the rule stands in its place."""
    return one.method


def _judged(one: Evidence) -> Row:
    judged = one.judged
    if judged is None:
        return None, one.not_judged, None, None, None
    code = interpretation_code(judged.meaning, judged.flag, judged.urgency)
    counted = None if judged.counted is None else judged.counted or "abnormal"
    return judged.meaning.value, None, counted, code, judged.urgency.value


def _rule(one: Evidence, known: Known) -> Row:
    computed = one.computed
    if computed is None:
        return None, None, None
    maker = computed.maker
    origins = ";".join(known.names[index].value for index in computed.derived_from)
    return maker.id if maker else None, maker.version if maker else None, origins or None
