"""Messages against what is not ours: hl7apy's strict validation, the parser hl7 0.4.5 field by field, and the maps of
HL7 Version 2 to FHIR (hl7.org/fhir/uv/v2mappings; github.com/HL7/v2-to-fhir, mappings/): segment OBX[Observation] and
the tables named beside each check, read here backwards.
"""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import hl7
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from hl7apy.v2_5_1.tables import TABLES

from adapter.catalogue import load_catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.read.oru import from_oru
from adapter.write.v2 import to_oru
from examples.regenerate import example, names
from messages import unjudged_oru

CATALOGUE = load_catalogue()
every_example = pytest.mark.parametrize("name", names())

#: Map ObservationResultStatusCodesInterpretation: table 0085 to Observation.status.
STATUS = {"F": "final", "C": "corrected", "A": "amended", "W": "entered-in-error", "D": "entered-in-error"}
STATUS |= {"X": "cancelled", "P": "preliminary"}
#: Map InterpretationCodes: the codes of table 0078 are those of v3 ObservationInterpretation.
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
#: Map OBX[Observation], OBX-5 by OBX-2. (2.5.1 has TS where the map speaks of DTM.)
VALUE = {"NM": "valueQuantity", "SN": "valueQuantity", "ST": "valueString", "FT": "valueString", "TX": "valueString"}
VALUE |= {"CWE": "valueCodeableConcept", "CE": "valueCodeableConcept", "TS": "valueDateTime"}
#: Map AdministrativeSex: table 0001.
SEX = {"female": "F", "male": "M", "other": "O", "unknown": "U"}
#: Table 0396: LOINC, SNOMED CT.
SYSTEMS = {"http://loinc.org": "LN", "http://snomed.info/sct": "SCT"}


def parsed(exam: Exam) -> hl7.Message:
    return hl7.parse(unjudged_oru(exam, CATALOGUE).decode())


def observations(exam: Exam) -> dict[str, dict[str, Any]]:
    """The Observations of an exam by what stands behind the exam's id in their identifier."""
    bundle = to_bundle(exam, CATALOGUE, BundleType.COLLECTION)
    found = (e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation")
    return {o["identifier"][0]["value"].partition("/")[2]: o for o in found if "hasMember" not in o}


def field(segment: hl7.Segment, number: int, *path: int) -> str:
    """A field, or a component of it, as the independent parser has it; empty where there is none."""
    try:
        found = segment(number) if not path else segment(number)(1)(path[0])
    except IndexError:
        return ""
    return str(found)


def own_code(segment: hl7.Segment, number: int = 3) -> str:
    for first in (1, 4):
        if field(segment, number, first + 2) == "99NEA":
            return field(segment, number, first)
    return ""


@pytest.mark.parametrize("name", [one for one in names() if one.startswith(("d05", "d07-1", "d09"))])
def test_hl7apy_finds_nothing_wrong_and_sees_every_segment_in_its_group(name: str) -> None:
    """All of a message; of the others it has seen, when they were judged, what is new in them."""
    data = to_oru(example(name), CATALOGUE).decode()
    # hl7apy takes every OBX-5 for ST, of 199 characters: long FT and TX are cut for it, and for it alone.
    short = re.sub(r"(\rOBX\|\d+\|(?:FT|TX)\|[^|]*\|[^|]*\|)([^|]{190})[^|\\]*", r"\1\2", data)
    message = parse_message(short, validation_level=VALIDATION_LEVEL.STRICT)
    assert message.validate()
    assert message.msh.msh_9.to_er7() == "ORU^R01^ORU_R01"
    (result,) = message.oru_r01_patient_result
    groups = result.oru_r01_order_observation
    assert len(groups) == data.count("\rOBR|")
    assert sum(len(group.oru_r01_observation) for group in groups) == data.count("\rOBX|")
    assert result.oru_r01_patient.pid.pid_5.pid_5_7.to_er7() == "U"


@every_example
def test_what_hl7apy_does_not_look_at(name: str) -> None:
    """OBX-2 is of table 0125, NM is a number, codes are of their tables, set ids count, segments stand in order."""
    message = parsed(example(name))
    known = {*TABLES["HL70125"][1], "CWE"}
    count = 0
    for segment in message:
        kind = str(segment[0])
        if kind == "OBR":
            count = 0
            assert field(segment, 25) in TABLES["HL70123"][1]
        if kind != "OBX":
            continue
        count += 1
        assert field(segment, 1) == str(count)
        assert field(segment, 11) in TABLES["HL70085"][1]
        assert field(segment, 2) in known or (field(segment, 2), field(segment, 11)) == ("", "X")
        assert field(segment, 8) in {*TABLES["HL70078"][1], ""}
        if field(segment, 2) == "NM":
            assert re.fullmatch(r"-?\d+(\.\d+)?", field(segment, 5)), field(segment, 5)
        if field(segment, 7):
            assert within(field(segment, 7), Decimal(field(segment, 5))) is (field(segment, 8) == "N")
        assert [field(segment, number) for number in (20, 21, 22)] == ["", "", ""], "reserved in v2.5.1"
    order = "".join(f"{segment[0]!s};" for segment in message)
    assert re.fullmatch(r"MSH;SFT;PID;(NK1;)?PV1;ORC;(OBR;(NTE;)*(OBX;(NTE;)*)+)+", order)


def within(text: str, value: Decimal) -> bool:
    """A range as v2.5.1 has it (section 7.4.2.7): ``low-high`` with both ends, ``>low``, ``<high``; nothing else."""
    number = r"(-?\d+(?:\.\d+)?)"
    both, above, below = (re.fullmatch(form, text) for form in (f"{number}-{number}", f">{number}", f"<{number}"))
    if both:
        return Decimal(both[1]) <= value <= Decimal(both[2])
    if above:
        return value > Decimal(above[1])
    assert below, text
    return value < Decimal(below[1])


@every_example
def test_each_result_is_the_observation_of_the_same_finding(name: str) -> None:
    """Field by field, by the map OBX[Observation]."""
    exam = example(name)
    left = observations(exam)
    places = {item.position: item.id for item in CATALOGUE.items.values()}
    seen = set()
    for segment in parsed(exam).segments("OBX"):
        code = own_code(segment)
        if code.startswith(("exam.", "tell.", "detail.")):
            continue
        position, *rest = field(segment, 4).split(".")
        item = places[int(position)]
        assert code.split(".")[0] == item
        if item in ("cross_finding", "side_difference"):
            continue
        observation = left["/".join([item, *rest])]
        seen.add("/".join([item, *rest]))
        node = observation if code == item else component(observation, code)
        published = [c for c in node["code"]["coding"] if c["system"] in SYSTEMS]
        if published:
            assert field(segment, 3, 1) == published[0]["code"]
            assert field(segment, 3, 2) == published[0].get("display", "")
            assert field(segment, 3, 3) == SYSTEMS[published[0]["system"]]
        assert STATUS[field(segment, 11)] in (
            observation["status"],
            {"amended": "corrected"}.get(observation["status"]),
        ) or (
            field(segment, 11),
            observation["status"],
        ) == ("X", "registered")
        value(segment, node)
        judged = node.get("interpretation", [{"coding": []}])[0]["coding"]
        flags = [coding["code"] for coding in judged if coding["system"] == INTERPRETATION]
        assert field(segment, 8) == "".join(flags)
        when = observation["effectiveDateTime"]
        assert field(segment, 14) == re.sub(r"[-:T]", "", when[:19]) + when[19:].replace(":", "")
        assert field(segment, 16, 2) == exam.details.examiners[0].name
    assert seen == {key for key in left if not key.startswith(("cross_finding", "side_difference"))}


def component(observation: dict[str, Any], code: str) -> dict[str, Any]:
    (found,) = (c for c in observation["component"] if any(one["code"] == code for one in c["code"]["coding"]))
    return found


def value(segment: hl7.Segment, node: dict[str, Any]) -> None:
    kind = field(segment, 2)
    if not kind:
        assert "dataAbsentReason" in node
        return
    if "valueInteger" in node:
        assert (kind, field(segment, 5)) == ("NM", str(node["valueInteger"]))
        return
    if "valueCodeableConcept" in node and kind in ("ST", "FT"):
        assert "coding" not in node["valueCodeableConcept"]
        return
    found = node[VALUE[kind]]
    if kind in ("NM", "SN"):
        number = field(segment, 5) if kind == "NM" else field(segment, 5, 2)
        # digit for digit: 3.10 is not 3.1
        assert str(Decimal(number)) == str(found["value"])
        assert [field(segment, 6, n) for n in (1, 2, 3)] == [found["code"], found["unit"], "UCUM"]
    if kind == "CWE":
        codes = {field(segment, 5, 1), field(segment, 5, 4)} - {""}
        assert codes <= {coding["code"] for coding in found["coding"]}
        assert own_code(segment, 5) == found["coding"][-1]["code"]


@every_example
def test_the_newborn_and_the_mother_are_told_apart(name: str) -> None:
    exam = example(name)
    message, newborn = parsed(exam), exam.newborn
    patient, kin, visit = (message.segment(kind) for kind in ("PID", "NK1", "PV1"))
    assert field(patient, 3, 1) == newborn.identifiers[0].value
    assert field(patient, 3, 5) == "PI"
    assert field(patient, 5, 1) == newborn.name
    assert field(patient, 8) == SEX[newborn.sex.value]
    born = newborn.birth_time.isoformat()
    assert field(patient, 7) == re.sub(r"[-:T]", "", born[:19]) + born[19:].replace(":", "")
    assert newborn.mother is not None
    # Map PID[Patient]: PID-21; map NK1[RelatedPerson]: table 0063 MTH.
    assert field(patient, 21, 1) == newborn.mother.identifiers[0].value == field(kin, 33, 1)
    assert [field(kin, 3, n) for n in (1, 3)] == ["MTH", "HL70063"]
    order = newborn.birth_order
    assert (field(patient, 24), field(patient, 25)) == (("Y", str(order.order)) if order else ("", ""))
    assert field(visit, 19, 1) == (exam.details.encounter.value if exam.details.encounter else "")
    assert field(visit, 2) in TABLES["HL70004"][1]


def test_what_is_to_be_told_now_stands_first_and_is_flagged() -> None:
    message = parsed(example("d05-boy-weak-femorals-failed-screen"))
    told = [(own_code(s), field(s, 8)) for s in message.segments("OBX") if own_code(s).startswith("tell.")]
    assert told == [("tell.now", "AA")] * 3


def test_text_with_every_delimiter_is_read_back_by_the_independent_parser() -> None:
    """Escapes of section 2.7, undone by hl7's own unescape."""
    exam = example("d07-1-boy-palate-part-seen")
    nasty = "a|b^c&d~e\\f .br é 漢 — line"
    findings = (exam.findings[0].model_copy(update={"note": nasty}), *exam.findings[1:])
    message = parsed(exam.model_copy(update={"findings": findings}))
    notes = [message.unescape(str(s(3))) for s in message.segments("NTE") if field(s, 4, 1) == "RE"]
    assert nasty in notes


def test_the_kept_messages_are_read_by_both_parsers() -> None:
    kept = sorted((Path(__file__).parents[2] / "examples" / "v2").glob("*.er7"))
    assert len(kept) == 3
    for path in kept:
        data = path.read_bytes()
        assert str(hl7.parse(data.decode()).segment("MSH")(12)) == "2.5.1"
        assert from_oru(data, CATALOGUE) != []
