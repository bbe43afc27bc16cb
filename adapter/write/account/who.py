"""Whom the exam is about, who examined when, and how far the record stands. Newborn and mother stand apart."""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import urlsplit

from adapter.catalogue import Catalogue, Words
from adapter.catalogue.words import key_of
from adapter.derive import age_in_words
from adapter.derive.view import ExamView
from adapter.document import Block, Fields, Notice, Paragraph, Run, Text, Tone, say
from adapter.exam import BirthOrder, Exam, Identifier, Status


def running(exam: Exam, words: Words) -> Text:
    """One line that tells this newborn from any other, for every page."""
    newborn = exam.newborn
    parts = [
        newborn.identifiers[0].value,
        words.say(f"sex.{newborn.sex.value}"),
        words.say("report.born_at", at=words.moment(newborn.birth_time)),
    ]
    if newborn.birth_order is not None:
        parts.append(_birth_order(newborn.birth_order, words))
    parts.append(words.say("report.exam_of_id", exam=exam.details.id))
    name = newborn.shown_name or words.say("report.no_name")
    return say(Run(name, Tone.STRONG), "".join(f"  ·  {part}" for part in parts))


def _birth_order(order: BirthOrder, words: Words) -> str:
    if order.of:
        return words.say(f"order.of.{order.order}", of=order.of)
    return words.say(f"order.born.{order.order}")


def about_newborn(view: ExamView) -> Fields:
    """Name, identifiers, sex, birth, order, age and gestation."""
    exam, words = view.exam, view.catalogue.words
    newborn = exam.newborn
    pairs = [
        ("newborn", say(Run(newborn.shown_name or words.say("report.no_name"), Tone.STRONG))),
        ("identifiers", _identifiers(newborn.identifiers, view)),
        ("sex", say(words.say(f"sex.{newborn.sex.value}"))),
        ("born", say(words.moment(newborn.birth_time))),
    ]
    if newborn.birth_order is not None:
        multiple = words.say("report.multiple", order=_birth_order(newborn.birth_order, words))
        pairs.append(("birth_order", say(Run(multiple, Tone.STRONG))))
    pairs.append(("age", say(age_in_words(exam, words))))
    if newborn.gestation is not None and newborn.gestation.method is not None:
        pairs.append(("gestation_by", say(view.catalogue.methods[newborn.gestation.method].label)))
    return _fields(pairs, words)


def _fields(pairs: Iterable[tuple[str, Text]], words: Words) -> Fields:
    return Fields(tuple((words.say(f"report.{key}"), value) for key, value in pairs))


def about_mother(view: ExamView) -> list[Block]:
    """The mother under her own name; nothing where the record does not name her."""
    mother, words = view.exam.newborn.mother, view.catalogue.words
    if mother is None:
        return []
    name = say(mother.shown_name or words.say("report.mother_no_name"))
    return [_fields((("mother", name), ("her_identifiers", _identifiers(mother.identifiers, view))), words)]


def about_exam(view: ExamView) -> Fields:
    """Kind, id, times, place, encounter and examiners."""
    details, catalogue, words = view.exam.details, view.catalogue, view.catalogue.words
    when = words.moment(details.started)
    if details.ended is not None:
        when = words.say("report.from_to", start=when, end=words.moment(details.ended))
    pairs = [
        ("exam", say(catalogue.kinds[details.kind].label)),
        ("exam_id", say(details.id)),
        ("status", say(Run(words.say(f"status.{key_of(details.status.value)}"), Tone.STRONG))),
        ("when", say(when)),
    ]
    for examiner in details.examiners:
        number = identifier_in_words(examiner.identifier, catalogue) if examiner.identifier else None
        known = words.listed((examiner.shown_name, number))
        pairs.append(("examiner", say(words.say("beside", words=known, of=catalogue.roles[examiner.role].label))))
    if details.place is not None:
        pairs.append(("place_of_exam", say(details.place)))
    if details.encounter is not None:
        pairs.append(("encounter", say(identifier_in_words(details.encounter, catalogue))))
    return _fields(pairs, words)


def _identifiers(identifiers: Iterable[Identifier], view: ExamView) -> Text:
    return say("\n".join(identifier_in_words(identifier, view.catalogue) for identifier in identifiers))


def identifier_in_words(identifier: Identifier, catalogue: Catalogue) -> str:
    """``26-00501 (mrn)`` by the site's name of the system; else by its URL: ``mrn, hospital.example``."""
    short = {uri: name for name, uri in catalogue.settings.identifier_systems.items()}
    url = urlsplit(identifier.system)
    last = url.path.rstrip("/").rpartition("/")[2]
    known = f"{last}, {url.hostname}" if last and url.hostname else identifier.system
    return f"{identifier.value} ({short.get(identifier.system, known)})"


def standing(view: ExamView) -> list[Block]:
    """What must be known before anything else is read: that the record was amended, or is in error."""
    details, words = view.exam.details, view.catalogue.words
    reason = Paragraph(say(words.say("standing.reason", reason=details.reason or "")))
    if details.status is Status.FINAL:
        if details.reassigned_from is None:
            return []
        return [Notice(words.say("standing.anew", exam=details.reassigned_from), (reason,), Tone.LOUD)]
    amends = details.amends or ""
    if details.status is Status.AMENDED:
        return [Notice(words.say("standing.amended", exam=amends), (reason,), Tone.LOUD)]
    error = Paragraph(say(words.say("standing.do_not_act")), Tone.STRONG)
    return [Notice(words.say("standing.in_error", exam=amends), (error, reason), Tone.LOUD)]
