"""What is written reads back to the same exam: all examples, and anything that the strategies draw."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.v2 import Location
from adapter.exam import Exam, Status
from adapter.read.oru import from_oru
from adapter.v2.er7 import unescaped
from adapter.write.v2 import to_oru
from drawn import drawn
from examples.regenerate import example, names
from messages import unjudged_oru
from strategies import exams

CATALOGUE = load_catalogue()
LONG = drawn(30)


def in_message_order(exam: Exam, catalogue: Catalogue) -> Exam:
    """A message has its findings region by region, within each in the order captured."""
    regions = list(catalogue.regions)
    found = sorted(exam.findings, key=lambda one: regions.index(catalogue.region_of[one.item]))
    return exam.model_copy(update={"findings": tuple(found)})


def there_and_back(exam: Exam, catalogue: Catalogue) -> None:
    data = unjudged_oru(exam, catalogue)
    assert from_oru(data, catalogue) == [in_message_order(exam, catalogue)]
    assert unjudged_oru(exam, catalogue) == data


@pytest.mark.parametrize("name", names())
def test_an_example_reads_back_the_same(name: str) -> None:
    there_and_back(example(name), CATALOGUE)


@drawn(8)
@given(exams(CATALOGUE, max_items=20))
def test_the_judge_has_nothing_against_any_exam(exam: Exam) -> None:
    assert to_oru(exam, CATALOGUE) == unjudged_oru(exam, CATALOGUE)


@LONG
@given(exams(CATALOGUE))
def test_any_exam_reads_back_the_same(exam: Exam) -> None:
    there_and_back(exam, CATALOGUE)


@LONG
@given(exams(CATALOGUE, max_items=5), st.data())
def test_it_does_so_in_every_way_that_a_site_may_write(exam: Exam, data: st.DataObject) -> None:
    changed = CATALOGUE.v2.model_copy(
        update={
            "coded_values": data.draw(st.sampled_from(["CWE", "CE"])),
            "text_values": data.draw(st.sampled_from(["FT", "TX"])),
            "own_codes": data.draw(st.sampled_from(["alternate", "first", "only"])),
            "terminator": data.draw(st.sampled_from(["CR", "CRLF"])),
            "acknowledgement": data.draw(st.sampled_from(["original", "accept", "accept-and-application"])),
            "name_type": data.draw(st.sampled_from(["U", "TEMP"])),
            "software": data.draw(st.booleans()),
            "not_examined": data.draw(st.sampled_from(["empty", "reason"])),
            "namespaces": data.draw(st.sampled_from(["none", "names"])),
            "ordering_provider": data.draw(st.sampled_from([None, "examiner"])),
            "locations": data.draw(st.sampled_from([(), (Location(point_of_care="PNW", bed="4"),)])),
        }
    )
    there_and_back(exam, replace(CATALOGUE, v2=changed))


@LONG
@given(exams(CATALOGUE), exams(CATALOGUE))
def test_several_messages_in_one_file_are_several_exams(one: Exam, other: Exam) -> None:
    data = unjudged_oru(one, CATALOGUE) + unjudged_oru(other, CATALOGUE)
    assert from_oru(data, CATALOGUE) == [in_message_order(one, CATALOGUE), in_message_order(other, CATALOGUE)]


def test_every_item_and_answer_reads_back(every: list[Exam]) -> None:
    for exam in every:
        assert from_oru(unjudged_oru(exam, CATALOGUE), CATALOGUE) == [in_message_order(exam, CATALOGUE)]


@LONG
@given(exams(CATALOGUE, max_items=6), st.data())
def test_what_a_version_no_longer_holds_is_withdrawn_and_the_rest_reads_back(exam: Exam, data: st.DataObject) -> None:
    """Every result of the earlier message is in the later one again: said, or withdrawn (W of table 0085)."""
    assume(exam.details.status is not Status.ENTERED_IN_ERROR)
    kept = tuple(f for f in exam.findings if data.draw(st.booleans()))
    status = data.draw(st.sampled_from([Status.AMENDED, Status.ENTERED_IN_ERROR]))
    changed = {"id": "later", "amends": exam.details.root, "first": None, "status": status, "reason": "Why"}
    details = exam.details.model_copy(update=changed)
    later = exam.model_copy(update={"details": details, "findings": kept})
    before = unjudged_oru(exam, CATALOGUE)
    after = unjudged_oru(later, CATALOGUE, [before])
    if data.draw(st.integers(0, 9)) == 0:  # one of ten is judged too
        assert to_oru(later, CATALOGUE, [before]) == after
    assert from_oru(after, CATALOGUE) == [in_message_order(later, CATALOGUE)]
    assert results(after) >= results(before)


def results(data: bytes) -> set[tuple[bytes, ...]]:
    """Filler number, question and sub-id of every result."""
    found, filler = set(), b""
    for line in data.split(b"\r"):
        fields = line.split(b"|")
        if fields[0] == b"OBR":
            filler = fields[3]
        if fields[0] == b"OBX":
            found.add((filler, fields[3], fields[4]))
    return found


def test_escapes_are_read_and_those_of_no_meaning_here_stand() -> None:
    """HL7 v2.5.1, section 2.7: text of X is hexadecimal, H and N stand about what is highlighted."""
    assert unescaped("1\\T\\2\\X41\\ \\H\\loud\\N\\ \\X4\\ \\Zq\\") == "1&2A loud \\X4\\ \\Zq\\"
