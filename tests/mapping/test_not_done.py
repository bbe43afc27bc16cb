"""Why a screen was not done, under the published question for that reason and beside ``dataAbsentReason``.

LOINC 73698-3, 73739-5 and 73742-9 (``codes.csv`` has where they were seen); FHIR R4 Observation, obs-6: a value and a
dataAbsentReason never together, which holds of the Observation and of its component each for itself.
"""

from __future__ import annotations

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Finding, Side
from adapter.fhir import to_bundle
from adapter.read.bundle import from_bundle
from adapter.read.oru import from_oru
from adapter.validate import validate
from adapter.write.v2 import to_oru
from tests.mapping.invented import exam


@pytest.mark.parametrize(
    ("item", "side", "question"),
    [
        ("hearing_screen", Side.LEFT, "73739-5"),
        ("hearing_screen", Side.RIGHT, "73742-9"),
        ("cchd_screen", None, "73698-3"),
        ("red_reflex", Side.LEFT, None),
    ],
)
def test_the_reason_answers_the_published_question(
    item: str, side: Side | None, question: str | None, catalogue: Catalogue
) -> None:
    given = exam(findings=(Finding(item=item, side=side, not_examined="parent_declined"),))
    bundle = to_bundle(given, catalogue)
    (one,) = [e["resource"] for e in bundle["entry"] if "dataAbsentReason" in e["resource"]]
    asked = {
        coding["code"]: [code["code"] for code in component["valueCodeableConcept"]["coding"]]
        for component in one.get("component", ())
        for coding in component["code"]["coding"]
        if coding["system"] == "http://loinc.org"
    }
    assert asked == ({question: ["LA6644-4", "parent_declined"]} if question else {})
    assert validate(bundle) == []
    assert from_bundle(bundle, catalogue) == [given]


def test_a_message_says_the_reason_once(catalogue: Catalogue) -> None:
    given = exam(findings=(Finding(item="cchd_screen", not_examined="parent_declined"),))
    message = to_oru(given, catalogue)
    assert message.decode().count("[parent_declined]") == 1
    assert from_oru(message, catalogue) == [given]
