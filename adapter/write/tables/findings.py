"""The long table: one row per finding, captured or computed; what is not recorded has no row."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue, Category, ItemType, Sides
from adapter.derive import FindingView
from adapter.exam import Comparator, Side, Status, ValueKind
from adapter.fhir.parts import interpretation_code
from adapter.write.tables.column import Column, Row, Type, hours, moment
from adapter.write.tables.tabled import TabledExam
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


def rows(tabled: TabledExam) -> Iterator[Row]:
    """One row for each finding of the exam."""
    for one in tabled.findings:
        yield _row(one, tabled)


def _row(one: FindingView, tabled: TabledExam) -> Row:
    finding, item, exam, catalogue = one.finding, one.item, tabled.exam, tabled.catalogue
    name, site, side, answer, number = tabled.names[one.index], one.place, _side(one), one.answer, one.number
    captured = one.computed is None
    return (
        name.value,
        name.uuid,
        exam.details.id,
        exam.details.status.value,
        tabled.newborn_id,
        one.index + 1,
        "captured" if captured else "computed",
        one.region,
        item.id,
        item.label,
        item.type.value,
        catalogue.category(item).value,
        side.value if side else None,
        site,
        site_codes(catalogue, site, side)[1] if site else None,
        "examined" if one.examined else "not_examined",
        finding.not_examined,
        _text(one, tabled),
        finding.answer,
        f"{item.id}.{answer.id}" if answer else None,
        answer.label if answer else (None if captured else finding.text),
        number,
        one.unit if number is not None else None,
        *_amounts(one),
        *tabled.moment(one.moment),
        None if one.moment_hours is None else hours(one.moment_hours),
        finding.text if captured else None,
        *question_codes(
            catalogue, item.id, finding.side, finding.site, finding.method, one.other_unit, finding.answer
        ),
        *(answer_codes(catalogue, item.id, answer.id) if answer else (None, None)),
        *_judged(one),
        one.method,
        finding.state,
        finding.counted_seconds,
        *tabled.moment(one.made_at),
        hours(one.age_hours),
        finding.note,
        *_rule(one, tabled),
    )


def _side(one: FindingView) -> Side | None:
    return one.side or (Side.BOTH if one.item.sides in (Sides.PAIR, Sides.EITHER) else None)


def _amounts(one: FindingView) -> Row:
    """Comparator, the number as sent with its unit, the number as captured with its unit."""
    if (sent := one.sent) is not None:
        digits = "+".join(f"{amount.number:f}" for amount in one.captured)
        units = "+".join(amount.spelling for amount in one.captured)
        return one.comparator.value if one.comparator else None, sent.number, sent.unit, digits, units
    given = one.finding.score.total if one.finding.score else None
    return None, None, None, None if given is None else str(given), None


def _text(one: FindingView, tabled: TabledExam) -> str | None:
    """The value in one canonical text, however it was answered; of a rule, the rule."""
    finding = one.finding
    if one.by_rule and one.maker is not None:
        return one.maker.id
    match one.kind:
        case ValueKind.QUANTITY:
            return f"{one.comparator or ''}{'+'.join(f'{amount.number:f}' for amount in one.captured)}"
        case ValueKind.QUANTITIES:
            return ";".join(f"{part.id}={part.captured.number:f}" for part in one.parts if part.captured)
        case ValueKind.SCORE:
            total = finding.score.total if finding.score else None
            signs = (f"{part.id}={part.answer}" for part in one.parts)
            return ";".join((*(() if total is None else (f"total={total}",)), *signs))
        case ValueKind.MOMENT:
            return one.moment.isoformat() if tabled.dated and one.moment else None
        case _:
            return finding.answer or finding.text


def _judged(one: FindingView) -> Row:
    judged = one.judged
    if judged is None:
        return None, one.not_judged, None, None, None
    code = interpretation_code(judged.meaning, judged.flag, judged.urgency)
    counted = None if judged.counted is None else judged.counted or "abnormal"
    return judged.meaning.value, None, counted, code, judged.urgency.value


def _rule(one: FindingView, tabled: TabledExam) -> Row:
    computed = one.computed
    if computed is None:
        return None, None, None
    maker = computed.maker
    origins = ";".join(tabled.names[index].value for index in computed.derived_from)
    return maker.id if maker else None, maker.version if maker else None, origins or None
