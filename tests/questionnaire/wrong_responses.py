"""What can be wrong with a response: how it comes about; rule, place and a word of the remedy that it must give."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from items import by_link

Json = dict[str, Any]
Change = Callable[[Json], None]


def answer(link: str, *answers: Json) -> Change:
    """The answers of a question are these."""

    def change(response: Json) -> None:
        by_link(response)[link]["answer"] = list(answers)

    return change


def add(group: str, item: Json) -> Change:
    def change(response: Json) -> None:
        by_link(response)[group].setdefault("item", []).append(item)

    return change


def head(name: str, value: Any) -> Change:
    def change(response: Json) -> None:
        response[name] = value

    return change


def without(parent: str, link: str) -> Change:
    def change(response: Json) -> None:
        items = by_link(response)[parent]["item"]
        items[:] = [item for item in items if item["linkId"] != link]

    return change


def rename(link: str, to: str) -> Change:
    def change(response: Json) -> None:
        by_link(response)[link]["linkId"] = to

    return change


def coding(system: str, code: str) -> Json:
    """An answer by a code of ours."""
    return {"valueCoding": {"system": f"https://newborn-exam-adapter.invalid/fhir/CodeSystem/{system}", "code": code}}


def quantity(**parts: Any) -> Json:
    return {"valueQuantity": parts}


UCUM, SNOMED = "http://unitsofmeasure.org", "http://snomed.info/sct"
RATE = "region.vital_signs/heart_rate/heart_rate.value"
URL = "https://newborn-exam-adapter.invalid/fhir/Questionnaire/exam-shift"

CRYING = coding("not-examined-reason", "crying")
AMENDED = {"valueCoding": {"system": "http://hl7.org/fhir/observation-status", "code": "amended"}}

# What is changed; the rule, the place and a word of the remedy of the problem that must come of it.
CASES: dict[str, tuple[Change, str, str, str]] = {
    "no questionnaire": (head("questionnaire", None), "no-questionnaire", "questionnaire", URL),
    "another questionnaire": (
        head("questionnaire", "https://example.org/Questionnaire/1|1"),
        "unknown-questionnaire",
        "questionnaire",
        URL,
    ),
    "another version": (head("questionnaire", f"{URL}|2020.1"), "other-version", "questionnaire", "form of now"),
    "in progress": (head("status", "in-progress"), "not-completed", "status", "completed"),
    "no status": (head("status", None), "not-completed", "status", "completed"),
    "amended, but not the exam": (head("status", "amended"), "not-completed", "status", "exam.amends"),
    "about another newborn": (
        head("subject", {"identifier": {"system": "https://example.org/id", "value": "another"}}),
        "other-newborn",
        "subject",
        "right infant",
    ),
    "items no list": (head("item", {}), "wrong-type", "", "a list"),
    "unknown linkId": (
        rename("heart_rate.value", "heart_rat.value"),
        "unknown-link-id",
        "region.vital_signs/heart_rate/heart_rat.value",
        "did you mean heart_rate.value",
    ),
    "a linkId like none": (rename("heart_rate", "xyzzy"), "unknown-link-id", "region.vital_signs/xyzzy", "only"),
    "in the wrong group": (
        add("about.newborn", {"linkId": "exam.place", "answer": [{"valueString": "Ward 3"}]}),
        "unknown-link-id",
        "about.newborn/exam.place",
        "about.exam/exam.place",
    ),
    "no linkId": (add("about.exam", {"answer": []}), "no-link-id", "about.exam", "linkId"),
    "an item that is none": (lambda r: by_link(r)["about.exam"]["item"].append("x"), "no-link-id", "about.exam", ""),
    "a question inside an answer": (
        answer("exam.id", {"valueString": "x1", "item": [{"linkId": "exam.place"}]}),
        "unknown-link-id",
        "about.exam/exam.id/exam.place",
        "about.exam/exam.place",
    ),
    "a question twice": (
        add("about.exam", {"linkId": "exam.id", "answer": [{"valueString": "other"}]}),
        "item-twice",
        "about.exam/exam.id[2]",
        "which is right",
    ),
    "a group with an answer": (
        lambda r: by_link(r)["about.exam"].update(answer=[{"valueString": "x"}]),
        "answer-of-group",
        "about.exam",
        "questions of the group",
    ),
    "answers no list": (
        lambda r: by_link(r)["exam.id"].update(answer={"valueString": "x"}),
        "wrong-type",
        "about.exam/exam.id",
        "a list",
    ),
    "an answer that is none": (
        lambda r: by_link(r)["exam.id"].update(answer=["x"]),
        "wrong-type",
        "about.exam/exam.id",
        "an object",
    ),
    "an answer without value": (answer("heart_rate.value", {}), "no-answer", RATE, "valueQuantity"),
    "an answer with two values": (
        answer("heart_rate.value", {"valueString": "x", "valueInteger": 1}),
        "several-values",
        RATE,
        "valueQuantity",
    ),
    "the wrong type": (
        answer("heart_rate.value", {"valueInteger": 140}),
        "wrong-answer-type",
        RATE,
        "valueQuantity, since the question is of type quantity",
    ),
    "a type that is not what it says": (
        answer("heart_rate.value", {"valueQuantity": 140}),
        "wrong-type",
        RATE,
        "valueQuantity",
    ),
    "a boolean that is none": (
        add("heart_rate", {"linkId": "heart_rate.more", "answer": [{"valueBoolean": "yes"}]}),
        "wrong-type",
        "region.vital_signs/heart_rate/heart_rate.more",
        "valueBoolean",
    ),
    "two answers to a question for one": (
        answer("newborn.sex", *({"valueCoding": {"system": "x", "code": c}} for c in "ab")),
        "several-values",
        "about.newborn/newborn.sex",
        "the one that is right",
    ),
    "an answer outside the options": (
        answer("femoral_pulse.left.value", coding("exam-answer", "femoral_pulse.weakk")),
        "unknown-answer",
        "further.cardiovascular/femoral_pulse/femoral_pulse.left/femoral_pulse.left.value",
        "did you mean femoral_pulse.weak",
    ),
    "a published code where ours is asked": (
        answer("femoral_pulse.left.value", {"valueCoding": {"system": SNOMED, "code": "260379002"}}),
        "unknown-answer",
        "further.cardiovascular/femoral_pulse/femoral_pulse.left/femoral_pulse.left.value",
        "one of femoral_pulse.",
    ),
    "the right code of another system": (
        answer("newborn.sex", coding("side", "male")),
        "unknown-answer",
        "about.newborn/newborn.sex",
        "http://hl7.org/fhir/administrative-gender",
    ),
    "a coding without code": (
        answer("newborn.sex", {"valueCoding": {"display": "Male"}}),
        "unknown-answer",
        "about.newborn/newborn.sex",
        "male",
    ),
    "a quantity without number": (answer("heart_rate.value", quantity(unit="/min")), "not-a-number", RATE, "3.10"),
    "a number in quotes": (
        answer("heart_rate.value", quantity(value="140", unit="/min")),
        "not-a-number",
        RATE,
        "JSON number",
    ),
    "no unit": (answer("heart_rate.value", quantity(value=140)), "unit-missing", RATE, "/min"),
    "a unit that is none": (
        answer("heart_rate.value", quantity(value=140, unit="furlong")),
        "unknown-unit",
        RATE,
        "/min",
    ),
    "a code that is no unit": (
        answer("heart_rate.value", quantity(value=140, system=UCUM, code="furlong")),
        "unknown-unit",
        RATE,
        "/min",
    ),
    "a code of another system": (
        answer("heart_rate.value", quantity(value=140, system="https://example.org", code="/min")),
        "unknown-unit",
        RATE,
        "UCUM",
    ),
    "unit and code that differ": (
        answer("heart_rate.value", quantity(value=140, unit="g", system=UCUM, code="/min")),
        "unit-and-code",
        RATE,
        "/min",
    ),
    "a unit of something else": (
        answer("heart_rate.value", quantity(value=140, unit="g")),
        "wrong-dimension",
        RATE,
        "/min",
    ),
    "impossible": (
        answer("heart_rate.value", quantity(value=1400, unit="/min")),
        "impossible-value",
        RATE,
        "measure again",
    ),
    "no comparator": (
        answer("heart_rate.value", quantity(value=140, unit="/min", comparator="~")),
        "unknown-word",
        RATE,
        "<",
    ),
    "numbers in different units": (
        answer("blood_pressure.component.diastolic", quantity(value=6, unit="kPa")),
        "mixed-units",
        "further.vital_signs/blood_pressure",
        "one unit",
    ),
    "a comparator on one of several numbers": (
        answer("blood_pressure.component.diastolic", quantity(value=46, unit="mmHg", comparator="<")),
        "wrong-kind-of-value",
        "further.vital_signs/blood_pressure",
        "number alone",
    ),
    "a second part alone": (
        lambda r: by_link(r)["weight"].update(
            item=[{"linkId": "weight.details", "item": [
                {"linkId": "weight.plus", "answer": [quantity(value=4, unit="oz")]}]}]
        ),
        "wrong-parts",
        "region.measurements/weight",
        "both",
    ),
    "answered and not examined": (
        add("heart_rate", {"linkId": "heart_rate.not_examined", "answer": [CRYING]}),
        "value-and-not-examined",
        "region.vital_signs/heart_rate",
        "one of value, not_examined",
    ),
    "a reason that is none": (
        answer("weight.not_examined", coding("not-examined-reason", "tired")),
        "unknown-answer",
        "region.measurements/weight/weight.not_examined",
        "crying",
    ),
    "a note without an answer": (
        without("heart_rate", "heart_rate.value"),
        "no-answer",
        "region.vital_signs/heart_rate",
        "one of value, not_examined",
    ),
    "no birth time": (
        without("about.newborn", "newborn.birth_time"),
        "missing-field",
        "about.newborn/newborn.birth_time",
        "birth_time",
    ),
    "no identifier": (
        without("about.newborn", "newborn.identifiers"),
        "missing-field",
        "about.newborn/newborn.identifiers",
        "identifiers",
    ),
    "an identifier without its system": (
        without("newborn.identifiers", "newborn.identifiers.system"),
        "missing-field",
        "about.newborn/newborn.identifiers/newborn.identifiers.system",
        "system",
    ),
    "no examiner": (
        without("about.exam", "exam.examiners"),
        "missing-field",
        "about.exam/exam.examiners",
        "examiners",
    ),
    "nothing about the newborn": (
        lambda r: r.update(item=[i for i in r["item"] if i["linkId"] != "about.newborn"]),
        "missing-field",
        "about.newborn/newborn.sex",
        "sex",
    ),
    "a time without offset": (
        answer("newborn.birth_time", {"valueDateTime": "2026-03-01T08:30:00"}),
        "not-a-time",
        "about.newborn/newborn.birth_time",
        "offset",
    ),
    "a day for a time": (
        answer("exam.started", {"valueDateTime": "2026-03-01"}),
        "not-a-time",
        "about.exam/exam.started",
        "offset",
    ),
    "an amendment without its reason": (
        answer("exam.status", AMENDED),
        "amendment-incomplete",
        "about.exam",
        "amends",
    ),
}  # fmt: skip
