"""Exams in which all that identifies is marked, so that it can be looked for in what comes out. All invented."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal

from adapter.exam import (
    At,
    BirthOrder,
    Exam,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Mother,
    Newborn,
    Quantity,
    Sex,
    Status,
)

BORN = datetime.fromisoformat("2026-05-17T03:42:00+02:00")


def twin(order: int, *, mother: bool = True) -> Newborn:
    """One of twins, born eleven minutes apart."""
    return Newborn(
        identifiers=(
            Identifier(system="https://hospital.invalid/mrn", value=f"MRN-55501{order}"),
            Identifier(system="https://register.invalid/birth", value=f"REG-77123{order}"),
        ),
        name=f"Zwilling Quatrebras {order}",
        sex=Sex.FEMALE if order == 1 else Sex.MALE,
        birth_time=BORN + timedelta(minutes=11 * (order - 1)),
        birth_order=BirthOrder(order=order, of=2),
        gestation=Gestation(weeks=36, days=4, method="ultrasound_dating"),
        mother=Mother(
            identifiers=(Identifier(system="https://hospital.invalid/mrn", value="MRN-400042"),),
            name="Ottoline Quatrebras",
        )
        if mother
        else None,
    )


def exam_of(newborn: Newborn, exam_id: str, hours: int, **more: object) -> Exam:
    """An exam so many hours after birth, with words, notes, names, places and moments."""
    started = newborn.birth_time + timedelta(hours=hours)
    details = {
        "id": exam_id,
        "kind": "shift",
        "started": started,
        "ended": started + timedelta(minutes=25),
        "place": "Ward Lindenhof, room 12",
        "encounter": Identifier(system="https://hospital.invalid/visit", value=f"VISIT-9{exam_id}"),
        "examiners": (
            Examiner(
                name="Philippa Nightshade",
                identifier=Identifier(system="https://hospital.invalid/staff", value="STAFF-31337"),
                role="nurse",
            ),
            Examiner(name="Barnaby Oxlip", role="student"),
        ),
        **more,
    }
    findings = (
        Finding(item="cry", text="Sounds just like her aunt Gwendolyn's kitten"),
        Finding(
            item="weight",
            value=Quantity(value=Decimal("2.410"), unit="kg"),
            note="Weighed by Sister Marigold at the window",
            observed_at=started + timedelta(minutes=7),
        ),
        Finding(item="first_stool", value=At(time=newborn.birth_time + timedelta(hours=5))),
        Finding(item="palate", not_examined="crying", note="Ask Doctor Foxglove"),
        Finding(item="other_skin", text="Mark shaped like the Lindenhof tower"),
    )
    return Exam.model_validate({"details": details, "newborn": newborn, "findings": findings})


def family() -> list[Exam]:
    """Twins with two exams each, one of them amended."""
    first, second = twin(1), twin(2)
    amended = {"status": Status.AMENDED, "amends": "EXAM-A1", "reason": "Dr Foxglove had the twins mixed up"}
    return [
        exam_of(first, "EXAM-A1", 20),
        exam_of(first, "EXAM-A1-v2", 20, **amended),
        exam_of(first, "EXAM-A2", 44),
        exam_of(second, "EXAM-B1", 21),
    ]


def identifying(exams: list[Exam]) -> Iterator[str]:
    """Every identifier, name, date, place and free text of some exams, and every part of a name."""
    for exam in exams:
        newborn, details = exam.newborn, exam.details
        people = [*newborn.identifiers, *(newborn.mother.identifiers if newborn.mother else ())]
        people += [e.identifier for e in details.examiners if e.identifier]
        people += [details.encounter] if details.encounter else []
        for identifier in people:
            yield identifier.value
            yield identifier.system
        names = [newborn.name, newborn.mother.name if newborn.mother else None, details.place]
        names += [examiner.name for examiner in details.examiners]
        for name in filter(None, names):
            yield name
            yield from (part for part in name.replace(",", " ").split() if len(part) > 4)
        yield details.id
        moments = [newborn.birth_time, details.started, details.ended]
        moments += [finding.observed_at for finding in exam.findings]
        moments += [finding.value.time for finding in exam.findings if isinstance(finding.value, At)]
        for moment in filter(None, moments):
            yield moment.date().isoformat()
            yield moment.date().strftime("%Y%m%d")
            yield moment.isoformat()
        texts = [details.reason, *(f.note for f in exam.findings), *(f.text for f in exam.findings)]
        for text in filter(None, texts):
            yield text
            yield from (word for word in text.split() if word[0].isupper() and len(word) > 4)
