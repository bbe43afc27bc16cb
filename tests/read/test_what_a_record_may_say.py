"""What the capture record's own types take, and the nearest that they refuse."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

import jsonschema_rs
import pytest
from pydantic import ValidationError

from adapter.exam import (
    ExamDetails,
    Examiner,
    Finding,
    Identifier,
    Quantity,
    Score,
    Telling,
    ValueKind,
    record_schema,
)

STARTED = datetime.fromisoformat("2026-03-01T08:30:00+01:00")
NURSE = Examiner(name="N. Invented", role="nurse")
NUMBER = Identifier(system="https://hospital.invalid/staff", value="n-1")
KNOWN = Examiner(name="N. Invented", role="nurse", identifier=NUMBER, facts={"invented": "x"})


@pytest.mark.parametrize(
    ("said", "kind"),
    [
        ({"value": "intact"}, ValueKind.ANSWER),
        ({"text": "not seen well"}, ValueKind.TEXT),
        ({"not_examined": "crying"}, ValueKind.NOT_EXAMINED),
    ],
)
def test_words_are_one_kind_of_finding_and_a_reason_another(said: dict[str, Any], kind: ValueKind) -> None:
    assert Finding(item="palate", **said).kind is kind


@pytest.mark.parametrize("total", ["7", Decimal(7), 7.0, True])
def test_a_total_is_a_whole_number_and_nothing_like_it(total: Any) -> None:
    assert Score(total=7).total == 7
    with pytest.raises(ValidationError):
        Score(total=total)


def test_a_number_has_eighteen_digits_at_most() -> None:
    longest = Decimal("123456789.123456789")
    assert Quantity(value=longest, unit="g").value == longest
    with pytest.raises(ValidationError):
        Quantity(value=longest * 10 + Decimal("0.000000001"), unit="g")


@pytest.mark.parametrize(("to", "by"), [(KNOWN, None), (KNOWN, NURSE), (NURSE, KNOWN), (KNOWN, KNOWN)])
def test_who_was_told_and_who_told_have_no_facts_here(to: Examiner, by: Examiner | None) -> None:
    assert Telling(line="rule:hip_scan", at=STARTED, to=NURSE, by=NURSE).by == NURSE
    with pytest.raises(ValidationError, match="stand with the examiners of the exam"):
        Telling(line="rule:hip_scan", at=STARTED, to=to, by=by)


@pytest.mark.parametrize("wrong", [{"reason": None}, {"reassigned_from": "x-2"}])
def test_an_exam_of_another_newborn_is_another_and_has_a_reason(wrong: dict[str, Any]) -> None:
    right = {"reassigned_from": "x-1", "reason": "Invented: the cots were changed over"}
    details = {"id": "x-2", "kind": "initial", "started": STARTED, "examiners": [NURSE]}
    assert ExamDetails(**details, **right).reassigned_from == "x-1"
    with pytest.raises(ValidationError, match="names an exam of another newborn, and needs a reason"):
        ExamDetails(**details, **(right | wrong))


@pytest.mark.parametrize(("answers", "fits"), [(["milia"], True), (["milia", "nevus_simplex"], True), ([], False)])
def test_one_answer_in_a_list_fits_the_schema_and_none_does_not(answers: list[str], fits: bool) -> None:
    schema = jsonschema_rs.validator_for(record_schema()["$defs"]["Finding"] | {"$defs": record_schema()["$defs"]})
    assert schema.is_valid({"item": "benign_skin_findings", "value": answers}) is fits
