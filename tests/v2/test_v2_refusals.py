"""What a message cannot hold is a problem, never cut off; what is no message of ours is said by segment and field."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message

from adapter.catalogue import Catalogue, V2Settings, load_catalogue
from adapter.catalogue.lint import lint
from adapter.catalogue.lint_v2 import lint_v2
from adapter.exam import Exam
from adapter.read.oru import NotReadable, from_oru, read_oru
from adapter.write import NotWritable
from adapter.write.v2 import to_oru, write
from adapter.write.v2.judge import judged
from examples.regenerate import example
from tests.messages import unjudged_oru

CATALOGUE = load_catalogue()
EXAM = example("d07-1-boy-palate-part-seen")
# what writes a message has it judged, which is tests' business here and not that of collecting them
MESSAGE = unjudged_oru(EXAM, CATALOGUE)


def site(**settings: Any) -> Catalogue:
    return replace(CATALOGUE, v2=V2Settings.model_validate({**CATALOGUE.v2.model_dump(), **settings}))


def refused(exam: Exam, catalogue: Catalogue = CATALOGUE) -> list[tuple[str, str]]:
    with pytest.raises(NotWritable) as found:
        to_oru(exam, catalogue)
    return [(problem.rule, problem.where) for problem in found.value.problems]


def noted(note: str) -> Exam:
    return EXAM.model_copy(
        update={"findings": (EXAM.findings[0].model_copy(update={"note": note}), *EXAM.findings[1:])}
    )


def test_a_field_that_the_receiver_does_not_take_is_refused_and_not_cut() -> None:
    assert to_oru(noted("x" * 100), site(lengths={"NTE-3": 2000}))
    assert refused(noted("x" * 2001), site(lengths={"NTE-3": 2000})) == [("too-long", "segment 14 (NTE)")]
    with pytest.raises(NotWritable) as found:
        to_oru(noted("x" * 2001), site(lengths={"NTE-3": 2000}))
    assert found.value.problems[0].item == EXAM.findings[0].item


def test_a_name_that_its_data_type_does_not_take_is_refused() -> None:
    """ST takes 199 characters (HL7 v2.5.1, chapter 2A)."""
    named = EXAM.model_copy(update={"newborn": EXAM.newborn.model_copy(update={"name": "n" * 200})})
    assert refused(named) == [("too-long", "segment 3 (PID)")]


def test_a_time_finer_than_ts_holds_is_refused() -> None:
    """TS: up to four places of a second (HL7 v2.5.1, section 2A.77)."""
    times = {"started": datetime(2026, 6, 1, 8, 0, 0, 123456, tzinfo=UTC), "ended": None}
    assert refused(EXAM.model_copy(update={"details": EXAM.details.model_copy(update=times)})) == [("no-place", "")]


def test_a_character_that_the_character_set_has_not_is_refused_and_not_replaced() -> None:
    assert to_oru(noted("Grüße"), site(character_set="8859/1")).decode("latin-1").count("Grüße") == 1
    assert refused(noted("Grüße 漢"), site(character_set="8859/1")) == [("character-set", "")]
    assert refused(noted("Grüße"), site(character_set="ASCII")) == [("character-set", "")]


@pytest.mark.parametrize("name", ["UNICODE UTF-8", "8859/1", "8859/15", "ASCII"])
def test_each_character_set_reads_back(name: str) -> None:
    catalogue = site(character_set=name)
    exam = noted("plain")
    assert (
        from_oru(to_oru(exam, catalogue), catalogue)[0].findings
        == from_oru(to_oru(exam, CATALOGUE), CATALOGUE)[0].findings
    )


@pytest.mark.parametrize(
    ("before", "after", "rule"),
    [
        ("|NM|", "|ZZ|", "value-type"),
        ("PID|1|", "EVN|1|", "segments"),
        ("PV1|1|I", "PV1|1", "hl7-v2"),
    ],
)
def test_the_judge_finds_what_hl7apy_does_not_look_at(before: str, after: str, rule: str) -> None:
    text = MESSAGE.decode()
    assert before in text
    found = judged(text.replace(before, after, 1).rstrip("\r").split("\r"), CATALOGUE.v2)
    assert [problem.rule for problem in found] == [rule]
    assert judged(text.rstrip("\r").split("\r"), CATALOGUE.v2) == []


def test_the_judge_finds_words_where_a_number_should_be() -> None:
    lines = MESSAGE.decode().rstrip("\r").split("\r")
    number = next(n for n, line in enumerate(lines) if line.startswith("OBX|") and line.split("|")[2] == "NM")
    fields = lines[number].split("|")
    fields[5] = "many"
    lines[number] = "|".join(fields)
    assert [problem.rule for problem in judged(lines, CATALOGUE.v2)] == ["not-a-number"]


def refused_by_hl7apy(lines: list[str]) -> bool:
    try:
        return not parse_message(
            "".join(f"{one}\r" for one in lines), validation_level=VALIDATION_LEVEL.STRICT
        ).validate()
    except (HL7apyException, ValueError):
        return True


def test_what_hl7apy_passed_once_hides_nothing() -> None:
    """It is shown what it has not yet passed: whatever is changed then, the verdict is its verdict on all of it."""
    few = EXAM.model_copy(update={"findings": noted("a note").findings[:1]})
    lines = unjudged_oru(few, CATALOGUE).decode().rstrip("\r").split("\r")
    assert judged(lines, CATALOGUE.v2) == []
    wrong = "a^b&c^d^e^f^g^h^i^j"
    verdicts = set()
    for kind, place, value in [
        *(
            ("OBX", 3, ""),
            ("OBX", 3, wrong),
            ("OBX", 8, "x~y"),
            ("OBX", 11, ""),
            ("OBX", 14, "20261"),
            ("OBX", 1, wrong),
        ),
        *(("OBR", 4, ""), ("OBR", 25, wrong), ("OBR", 3, "x"), ("NTE", 4, wrong), ("NTE", 3, "x~y")),
    ]:
        number = max(n for n, line in enumerate(lines) if line.startswith(kind))
        fields = lines[number].split("|")
        changed = "|".join([*fields[:place], value, *fields[place + 1 :]])
        assert changed != lines[number]
        other = [*lines[:number], changed, *lines[number + 1 :]]
        found = [problem.rule for problem in judged(other, CATALOGUE.v2)]
        assert found == ["hl7-v2"] * refused_by_hl7apy(other), (kind, place, value)
        verdicts.add(bool(found))
    assert verdicts == {True, False}


def unreadable(data: bytes) -> list[str]:
    with pytest.raises(NotReadable) as found:
        from_oru(data, CATALOGUE)
    return [problem.where for problem in found.value.problems]


@pytest.mark.parametrize(
    ("data", "where"),
    [
        (b"", "segment 1 (MSH)"),
        (b"hello", "segment 1 (MSH)"),
        (b"{}", "segment 1 (MSH)"),
        (b"MSH", "segment 1 (MSH)"),
        (b"MSH|^~\\&", "segment 1 (MSH-9)"),
        (b"MSH#^~\\&#A", "segment 1 (MSH)"),
        (b"MSH|^~\\&|||||||ADT^A01^ADT_A01|1|P|2.5.1\r", "segment 1 (MSH-9)"),
        (b"MSH|^~\\&|||||||ORU^R01^ORU_R01|1|P|2.5.1\r", "segment 1 (MSH)"),
        (b"MSH|^~\\&|||||||ORU^R01|1|P|2.5.1|||||||UTF-99\r", "segment 1 (MSH)"),
        (b"MSH|^~\\&|||||||ORU^R01|1|P|2.5.1\rPID|1||\xff\r", "segment 1 (MSH)"),
        (b"MSH|^~\\&|||||||ORU^R01|1|P|2.5.1\rPID|1||1\rOBR|1|||GLU^Glucose^L\r", "segment 3 (OBR-4)"),
    ],
)
def test_what_is_no_message_of_ours_is_said_with_its_place(data: bytes, where: str) -> None:
    assert unreadable(data) == [where]


def changed(kind: str, number: int, field: int, value: str) -> bytes:
    """The message with one field of the segment of a kind (counted from 1) replaced."""
    lines = MESSAGE.decode().split("\r")
    place = [n for n, line in enumerate(lines) if line.startswith(kind)][number - 1]
    fields = lines[place].split("|")
    fields[field] = value
    return "\r".join([*lines[:place], "|".join(fields), *lines[place + 1 :]]).encode()


@pytest.mark.parametrize(
    ("kind", "number", "field", "value", "place"),
    [
        ("PID", 1, 7, "20260101", "PID-7"),
        ("PID", 1, 3, "", "PID"),
        ("PID", 1, 8, "Q", "PID-8"),
        ("OBR", 1, 7, "yesterday", "OBR-7"),
        ("OBR", 1, 4, "x^y^L", "OBR-4"),
        ("OBX", 1, 5, "surgeon^Surgeon^99NEA", "OBX-5"),
        ("OBX", 8, 3, "718-7^Hemoglobin^LN", "OBX-3"),
        ("OBX", 8, 3, "hemoglobin^Hemoglobin^99NEA", "OBX-3"),
        ("OBX", 8, 4, "", "OBX-4"),
        ("OBX", 8, 2, "ED", "OBX-"),
        ("OBX", 8, 14, "20260101", "OBX-14"),
    ],
)
def test_a_field_that_cannot_be_read_is_named(kind: str, number: int, field: int, value: str, place: str) -> None:
    found = unreadable(changed(kind, number, field, value))
    assert found
    assert all(f"({place}" in one for one in found), found


def test_a_place_too_long_is_named_and_a_message_need_not_say_the_visit() -> None:
    """HL7 v2.5.1, ORU^R01: PV1 is optional."""
    (reading,) = read_oru(changed("PV1", 1, 3, "^^^^^^^^" + "x" * 300), CATALOGUE)
    assert [problem.where for problem in reading.errors] == ["segment 5 (PV1-3)"]
    without = b"\r".join(line for line in MESSAGE.split(b"\r") if not line.startswith(b"PV1"))
    (reading,) = read_oru(without, CATALOGUE)
    assert reading.exam == EXAM.model_copy(
        update={"details": EXAM.details.model_copy(update={"place": None, "encounter": None})}
    )


def test_a_fault_in_a_batch_is_told_at_its_line_of_the_file() -> None:
    """HL7 v2.5.1, 2.10.3: FHS and BHS before the messages, BTS and FTS after them."""
    wrong = changed("PID", 1, 8, "Q").rstrip(b"\r")
    lines = [b"FHS|^~\\&", b"BHS|^~\\&", *MESSAGE.rstrip(b"\r").split(b"\r"), *wrong.split(b"\r"), b"BTS|2", b"FTS|1"]
    first, second = read_oru(b"\r".join(lines), CATALOGUE)
    assert first.exam == EXAM
    pid = [number for number, line in enumerate(lines, start=1) if line.startswith(b"PID")][1]
    assert [(one.where[-7:], one.line) for one in second.errors] == [("(PID-8)", pid)]


def test_any_piece_of_a_message_is_read_or_refused_and_never_a_fault() -> None:
    pieces = [MESSAGE[:end] for end in range(0, len(MESSAGE), 197)]
    pieces += [MESSAGE[:start] + MESSAGE[start + 9 :] for start in range(0, 2000, 53)]
    for piece in pieces:
        (reading,) = read_oru(piece, CATALOGUE)
        assert reading.exam is not None or reading.errors


def test_an_earlier_version_is_withdrawn_from_what_is_given() -> None:
    first, second = example("d10-1-girl-scalp-swelling-left"), example("d10-2-girl-scalp-swelling-amended")
    data = write(second, CATALOGUE, "v2", "er7", earlier=[first, EXAM])
    assert data.count(b"|W|") == sum(
        line.startswith(b"OBX|") and line.split(b"|")[11] == b"W" for line in data.split(b"\r")
    )
    assert b"|W|" in data
    assert b"|W|" not in write(second, CATALOGUE, "v2", "er7")
    assert from_oru(data, CATALOGUE) == from_oru(write(second, CATALOGUE, "v2", "er7"), CATALOGUE)
    deleted = to_oru(second, site(withdrawn="D"), [to_oru(first, CATALOGUE)])
    assert deleted.count(b"|D|") == data.count(b"|W|")


def test_authorities_are_written_as_the_site_has_them_and_read_back() -> None:
    system = EXAM.newborn.identifiers[0].system
    catalogue = site(
        authorities=[{"system": system, "namespace": "EASTWARD", "id": "2.999.7", "id_type": "ISO", "type": "MR"}],
        exam_service={"code": "NEWEXAM", "text": "Newborn examination", "system": "EAST"},
        section="NRS",
        next_of_kin=False,
        name_type="TEMP",
    )
    data = to_oru(EXAM, catalogue)
    assert b"^^^EASTWARD&2.999.7&ISO^MR|" in data
    assert b"|NEWEXAM^Newborn examination^EAST^" in data
    assert b"\rNK1|" not in data
    (read,) = from_oru(data, catalogue)
    assert read.newborn.identifiers == EXAM.newborn.identifiers
    # NK1 is where the mother's name stands: without it, it is left out, as the site wants
    assert read.newborn.mother is not None
    assert read.newborn.mother.name is None


def test_the_shipped_settings_are_well() -> None:
    assert [problem for problem in lint(CATALOGUE) if problem.file == "v2.yaml"] == []
    assert CATALOGUE.v2.processing_id == "T"


@pytest.mark.parametrize(
    ("settings", "rule"),
    [
        ({"sending_application": {}}, "missing-part"),
        ({"sending_facility": {"id": "2.999"}}, "missing-part"),
        ({"sending_facility": {"id": "two.999", "id_type": "ISO"}}, "wrong-id"),
        ({"authorities": [{"system": "a", "namespace": "A"}, {"system": "b", "namespace": "A"}]}, "same-authority"),
        ({"authorities": [{"system": "a", "namespace": "A"}, {"system": "a", "namespace": "B"}]}, "duplicate-id"),
        ({"authorities": [{"system": "a"}]}, "missing-part"),
        ({"systems": {"loink": "LN"}}, "unknown-system"),
    ],
)
def test_the_linter_says_what_is_wrong_with_a_sites_settings(settings: dict[str, Any], rule: str) -> None:
    catalogue = site(**settings)
    found = lint_v2(catalogue.v2, frozenset(CATALOGUE.systems), catalogue.fault)
    assert rule in {problem.rule for problem in found}


def test_a_sites_own_file_is_laid_over_the_shipped_one(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text("canonical: https://east.invalid/fhir\n")
    (tmp_path / "v2.yaml").write_text(
        "processing_id: P\nreceiving_application: {namespace: EAST}\nlengths: {OBX-5: 900}\n"
    )
    settings = load_catalogue(tmp_path).v2
    assert (settings.processing_id, settings.receiving_application.namespace) == ("P", "EAST")
    assert settings.lengths == {"OBX-4": 20, "OBX-5": 900}
    assert settings.systems == CATALOGUE.v2.systems
