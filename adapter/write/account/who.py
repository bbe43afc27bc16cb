"""Whom the exam is about, who examined when, and how far the record stands. Newborn and mother stand apart."""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import urlsplit

from adapter.catalogue import Catalogue
from adapter.derive import age_in_words
from adapter.derive.view import ExamView
from adapter.derive.words import moment_in_words
from adapter.document import Block, Fields, Notice, Paragraph, Run, Text, Tone, say
from adapter.exam import Exam, Identifier, Status

_NO_NAME = "Newborn without a recorded name"
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


def running(exam: Exam) -> Text:
    """One line that tells this newborn from any other, for every page."""
    newborn = exam.newborn
    parts = [newborn.identifiers[0].value, newborn.sex.value, f"born {moment_in_words(newborn.birth_time)}"]
    if newborn.birth_order is not None:
        parts.append(_birth_order(exam))
    parts.append(f"exam {exam.details.id}")
    return say(Run(newborn.shown_name or _NO_NAME, Tone.STRONG), "".join(f"  ·  {part}" for part in parts))


def _birth_order(exam: Exam) -> str:
    order = exam.newborn.birth_order
    assert order is not None
    return f"{_ORDINALS[order.order - 1]} of {order.of}" if order.of else f"{_ORDINALS[order.order - 1]} born"


def about_newborn(view: ExamView) -> Fields:
    """Name, identifiers, sex, birth, order, age and gestation."""
    exam = view.exam
    newborn = exam.newborn
    pairs = [
        ("Newborn", say(Run(newborn.shown_name or _NO_NAME, Tone.STRONG))),
        ("Identifiers", _identifiers(newborn.identifiers, view)),
        ("Sex", say(newborn.sex.value)),
        ("Born", say(moment_in_words(newborn.birth_time))),
    ]
    if newborn.birth_order is not None:
        pairs.append(("Birth order", say(Run(f"{_birth_order(exam)}, multiple birth", Tone.STRONG))))
    pairs.append(("Age", say(age_in_words(exam))))
    if newborn.gestation is not None and newborn.gestation.method is not None:
        pairs.append(("Gestation by", say(view.catalogue.methods[newborn.gestation.method].label)))
    return Fields(tuple(pairs))


def about_mother(view: ExamView) -> list[Block]:
    """The mother under her own name; nothing where the record does not name her."""
    mother = view.exam.newborn.mother
    if mother is None:
        return []
    name = say(mother.shown_name) if mother.shown_name else say("name not recorded")
    return [Fields((("Mother", name), ("Her identifiers", _identifiers(mother.identifiers, view))))]


def about_exam(view: ExamView) -> Fields:
    """Kind, id, times, place, encounter and examiners."""
    details, catalogue = view.exam.details, view.catalogue
    until = f" to {moment_in_words(details.ended)}" if details.ended else ""
    pairs = [
        ("Exam", say(catalogue.kinds[details.kind].label)),
        ("Exam id", say(details.id)),
        ("Status", say(Run(details.status.value.replace("-", " "), Tone.STRONG))),
        ("When", say(moment_in_words(details.started) + until)),
    ]
    for examiner in details.examiners:
        number = identifier_in_words(examiner.identifier, view.catalogue) if examiner.identifier else None
        known = ", ".join(filter(None, (examiner.shown_name, number)))
        pairs.append(("Examiner", say(f"{known} ({catalogue.roles[examiner.role].label})")))
    if details.place is not None:
        pairs.append(("Place", say(details.place)))
    if details.encounter is not None:
        pairs.append(("Encounter", say(identifier_in_words(details.encounter, view.catalogue))))
    return Fields(tuple(pairs))


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
    details = view.exam.details
    reason = Paragraph(say(f"Reason: {details.reason}"))
    if details.status is Status.FINAL:
        if details.reassigned_from is None:
            return []
        heading = f"RECORDED ANEW: stands in place of exam {details.reassigned_from}, of the wrong newborn"
        return [Notice(heading, (reason,), Tone.LOUD)]
    if details.status is Status.AMENDED:
        return [Notice(f"AMENDED: stands in place of exam {details.amends}", (reason,), Tone.LOUD)]
    error = Paragraph(say("Do not act on it. What follows is kept only to show what was recorded."), Tone.STRONG)
    return [Notice(f"ENTERED IN ERROR: exam {details.amends} is withdrawn", (error, reason), Tone.LOUD)]
