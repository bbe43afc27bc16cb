"""An Observation is taken from a template only where its finding says the same: the key is all that the view says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any, NamedTuple

import pytest

from adapter.catalogue import Catalogue, Meaning
from adapter.derive import finding as view
from adapter.derive import judged_findings
from adapter.exam import Exam, Finding, Gestation, Quantity, Side, Status, Urgency
from adapter.fhir import to_json
from adapter.fhir.json import dumps, loads
from adapter.fhir.parts import parts


def with_findings(exam: Exam, *findings: Finding) -> Exam:
    return exam.model_copy(update={"findings": findings})


def forms(exam: Exam, catalogue: Catalogue) -> list[view.Form]:
    return [one.form for one in judged_findings(exam, catalogue)[1] if one.computed is None]


RATE = Finding(item="respiratory_rate", value=Quantity(value=Decimal(44), unit="/min"))

OTHER: dict[str, Callable[[Exam], Exam]] = {
    "side": lambda exam: with_findings(exam, RATE.model_copy(update={"side": Side.LEFT})),
    "site": lambda exam: with_findings(exam, RATE.model_copy(update={"site": "skin"})),
    "method": lambda exam: with_findings(exam, RATE.model_copy(update={"method": "auscultation"})),
    "state": lambda exam: with_findings(exam, RATE.model_copy(update={"state": "deep_sleep"})),
    "urgency": lambda exam: with_findings(exam, RATE.model_copy(update={"urgency": Urgency.TELL})),
    "judged": lambda exam: with_findings(
        exam, RATE.model_copy(update={"value": Quantity(value=Decimal(90), unit="/min")})
    ),
    "unit": lambda exam: with_findings(
        exam, RATE.model_copy(update={"value": Quantity(value=Decimal(44), unit="bpm")})
    ),
    "comparator": lambda exam: with_findings(
        exam, RATE.model_copy(update={"value": Quantity(value=Decimal(44), unit="/min", comparator="<")})
    ),
    "not_examined": lambda exam: with_findings(exam, Finding(item="respiratory_rate", not_examined="crying")),
    "note": lambda exam: with_findings(exam, RATE.model_copy(update={"note": "after feeding"})),
    "status": lambda exam: exam.model_copy(
        update={"details": exam.details.model_copy(update={"status": Status.AMENDED, "amends": "x", "reason": "y"})}
    ),
}


@pytest.mark.parametrize("what", OTHER)
def test_a_finding_that_says_another_thing_has_another_form(
    what: str, every: list[Exam], catalogue: Catalogue
) -> None:
    exam = with_findings(every[0], RATE)
    (one,), (other,) = forms(exam, catalogue), forms(OTHER[what](exam), catalogue)
    assert one != other
    assert to_json(OTHER[what](exam), catalogue) == to_json(OTHER[what](exam), replace(catalogue))


def test_the_same_at_another_time_with_other_digits_has_the_same(every: list[Exam], catalogue: Catalogue) -> None:
    exam = with_findings(every[0], RATE)
    later = {
        "value": Quantity(value=Decimal(45), unit="/min"),
        "observed_at": exam.details.started + timedelta(minutes=5),
    }
    again = with_findings(exam, RATE.model_copy(update=later))
    assert forms(exam, catalogue) == forms(again, catalogue)


def test_all_that_a_finding_can_say_is_in_its_form_or_its_own(catalogue: Catalogue) -> None:
    said = {*view.Form._fields, *view.Particulars._fields}
    # The value is told apart (kind, answer, unit, comparator, digits); the time is no part of what is said.
    assert {*Finding.model_fields} - said == {"value", "observed_at"}


def test_a_field_added_to_the_view_is_in_the_key(
    every: list[Exam], catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two findings that differ in nothing but a field that the form newly has are two templates."""
    plain = view.FindingView.form
    added: list[str] = []

    class Wider(NamedTuple):
        corrected: str

    def wider(self: view.FindingView) -> Any:
        names = (*view.Form._fields, *Wider._fields)
        form = NamedTuple("Form", [(name, Any) for name in names])  # type: ignore[misc]
        return form(*plain.fget(self), added[0])  # type: ignore[attr-defined,misc]

    monkeypatch.setattr(view.FindingView, "form", property(wider))
    fresh, exam = replace(catalogue), with_findings(every[0], RATE)
    for word in ("term", "preterm", "term"):
        added[:] = [word]
        to_json(exam, fresh)
    assert len(parts(fresh, True).observations) == 2


OF_A_GESTATION: dict[str, dict[str, Any]] = {
    "a number": {"value": Quantity(value=Decimal(3000), unit="g")},
    "words that the examiner marked": {"text": "about 3000 g, scale broken", "urgency": Urgency.TELL},
}


@pytest.mark.parametrize("what", OF_A_GESTATION)
def test_the_range_of_one_infant_is_not_written_of_another(
    what: str, every: list[Exam], catalogue: Catalogue
) -> None:
    """A range of birth weights that holds for those born at term (``mappings/regions``) stands beside no other's."""
    weight, fresh = Finding(item="birth_weight", **OF_A_GESTATION[what]), replace(catalogue)

    def has_range(weeks: int) -> bool:
        newborn = every[0].newborn.model_copy(update={"gestation": Gestation(weeks=weeks, days=0)})
        bundle = loads(to_json(with_findings(every[0].model_copy(update={"newborn": newborn}), weight), fresh))
        (made,) = (
            one["resource"]
            for one in bundle["entry"]
            if one["resource"].get("identifier", [{}])[0].get("value", "").endswith("/birth_weight")
        )
        return "referenceRange" in made

    assert [has_range(weeks) for weeks in (40, 30, 40)] == [True, False, True]


def test_what_was_kept_of_one_infant_is_not_written_of_another(every: list[Exam], catalogue: Catalogue) -> None:
    """Words and times of the first stay with the first."""
    fresh = replace(catalogue)
    first = with_findings(every[0], RATE.model_copy(update={"note": "only of the first"}), RATE)
    to_json(first, fresh)
    second = to_json(with_findings(every[1], RATE), fresh)
    assert b"only of the first" not in second
    assert loads(second) == loads(dumps(loads(to_json(with_findings(every[1], RATE), replace(catalogue)))))
    assert Meaning.EXPECTED.value in second.decode()
