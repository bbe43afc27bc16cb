"""What standard codes say of a finding: HL7 v3 ObservationInterpretation, and what stands in which panel.

FHIR R4 binds ``Observation.interpretation`` extensibly: "To be conformant, the concept in this element SHALL be from
the specified value set if any of the codes within the value set can apply", else alternate codings may be used
(terminologies.html#extensible). ``N`` is "Normal"; a variant is not that, and no other code says what it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from adapter.catalogue import Catalogue, Flag, Meaning
from adapter.exam import Exam, Finding, Urgency
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.definitions import code_system
from adapter.fhir.parts import interpretation_code
from adapter.problems import Layer
from adapter.read.bundle import from_bundle
from adapter.validate import validate
from adapter.write.tables import TABLES
from adapter.write.v2 import to_oru
from adapter.write.views import views
from tests.mapping.invented import exam

PAD = Finding(item="lips", value="sucking_pad")
RHYTHM = Finding(item="heart_rhythm", value="regular")
PATTERN = Finding(item="respiratory_pattern", value="regular_quiet")
V3 = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
SERVICE = "http://terminology.hl7.org/CodeSystem/v2-0074"


def judged(bundle: dict[str, Any], catalogue: Catalogue) -> Iterator[tuple[str, list[str], list[str]]]:
    """Of each Observation and component that is judged: its meaning, and the standard codes beside it."""
    for entry in bundle["entry"]:
        for node in (entry["resource"], *entry["resource"].get("component", ())):
            for concept in node.get("interpretation", ()):
                own = [c["code"] for c in concept["coding"] if c["system"] == catalogue.uri("meaning")]
                standard = [c["code"] for c in concept["coding"] if c["system"] == V3]
                assert len(own) + len(standard) == len(concept["coding"])
                yield own[0], standard, own


def test_no_variant_is_called_normal(every: list[Exam], catalogue: Catalogue) -> None:
    met = set()
    for one in every:
        for meaning, standard, _ in judged(to_bundle(one, catalogue), catalogue):
            met.add((meaning, *standard))
            if meaning == "variant":
                assert standard in ([], ["L"], ["H"], ["LL"], ["HH"]), one.details.id
            else:
                assert len(standard) == 1, one.details.id
                assert (standard == ["N"]) == (meaning == "expected"), one.details.id
    assert {("variant",), ("variant", "H"), ("variant", "L"), ("expected", "N"), ("abnormal", "A")} <= met


def test_the_other_forms_say_the_same(catalogue: Catalogue) -> None:
    """OBX-8 (HL7 table 0078) stays empty, as does the column. A view takes the code of the standard system."""
    pad = exam(findings=(PAD,))
    row, *_ = TABLES["findings"].rows(pad, catalogue)
    names = [column.name for column in TABLES["findings"].columns(catalogue)]
    assert (row[names.index("meaning")], row[names.index("interpretation")]) == ("variant", None)
    segments = to_oru(pad, catalogue).decode().split("\r")
    (obx,) = [segment for segment in segments if segment.startswith("OBX") and "lips.sucking_pad" in segment]
    assert obx.split("|")[8] == ""
    columns = views(catalogue)["newborn_findings"]["select"][0]["column"]
    (path,) = [column["path"] for column in columns if column["name"] == "interpretation"]
    assert "%interpretation_codes" in path


def test_a_code_of_ones_own_is_right_where_its_owner_says_that_none_fits(catalogue: Catalogue) -> None:
    """The validator cannot judge what fits; the owner of the code can, and for no other code and no other owner."""
    observation = next(
        e["resource"]
        for e in to_bundle(exam(findings=(PAD,)), catalogue)["entry"]
        if e["resource"].get("interpretation")
    )

    def told(system: str, code: str) -> list[str]:
        changed = {**observation, "interpretation": [{"coding": [{"system": system, "code": code}]}]}
        return [problem.rule for problem in validate(changed, layers=[Layer.TERMINOLOGY])]

    own = catalogue.uri("meaning")
    assert told(own, "variant") == []
    assert told(own.replace("newborn-exam-adapter.invalid", "a-site.example"), "variant") == []
    assert told(own, "expected") == told(own, "abnormal") == ["code-outside-extensible"]
    assert told("http://example.org/CodeSystem/meaning", "variant") == ["code-outside-extensible"]


@pytest.mark.parametrize("kind", BundleType)
def test_the_panel_of_vital_signs_holds_vital_signs_alone(kind: BundleType, catalogue: Catalogue) -> None:
    """FHIR R4 profile vitalspanel: its members are vital signs. Rhythm and pattern stand in the report itself."""
    given = exam(findings=(RHYTHM, PATTERN))
    bundle = to_bundle(given, catalogue, kind)
    assert not [e for e in bundle["entry"] if "vital_signs" in str(e["resource"].get("code"))]
    (report,) = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DiagnosticReport"]
    assert len(report["result"]) == 3  # the two, and the panel with the newborn's gestation
    assert from_bundle(bundle, catalogue) == [given]


def test_every_member_of_the_vital_signs_panel_is_a_vital_sign(every: list[Exam], catalogue: Catalogue) -> None:
    met = 0
    for one in every:
        held = {e["fullUrl"]: e["resource"] for e in to_bundle(one, catalogue)["entry"]}
        for panel in held.values():
            if "vital_signs" in str(panel.get("code")) and "hasMember" in panel:
                for member in panel["hasMember"]:
                    met += 1
                    assert held[member["reference"]]["category"][0]["coding"][0]["code"] == "vital-signs"
    assert met


def test_a_report_says_which_service_made_it(every: list[Exam], catalogue: Catalogue) -> None:
    """FHIR R4 DiagnosticReport.category: HL7 table 0074, diagnostic service section."""
    known = code_system(SERVICE) or ()
    for one in every[::10]:
        for entry in to_bundle(one, catalogue)["entry"]:
            if entry["resource"]["resourceType"] == "DiagnosticReport":
                (coding,) = entry["resource"]["category"][0]["coding"]
                assert coding["system"] == SERVICE
                assert coding["code"] in known


def test_a_judgement_has_the_code_that_says_it(catalogue: Catalogue) -> None:
    assert interpretation_code(Meaning.VARIANT, Flag.NORMAL, Urgency.NONE) is None
    assert interpretation_code(Meaning.VARIANT, Flag.HIGH, Urgency.NONE) == "H"
    assert interpretation_code(Meaning.EXPECTED, Flag.NORMAL, Urgency.NONE) == "N"
    assert interpretation_code(Meaning.ABNORMAL, Flag.ABNORMAL, Urgency.TELL_NOW) == "AA"
