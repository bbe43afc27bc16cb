"""A site's own lines for bilirubin by the hour of life: the invented site whose numbers are made up (rowan-firth).

That a value on a line counts as over it is common practice ("at or above the threshold"). Expected lines are read
off the invented table by hand: born at 38 weeks or later, with a risk, 'lamp' is 110 umol/L at 24 h and 160 at 48 h.
"""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import BORN, made, read, said, scene, tells

from adapter.catalogue import Catalogue, Flag, Meaning, load_catalogue
from adapter.derive import judged_findings, series_list, withheld
from adapter.exam import Comparator, Exam, Finding, Quantity, Urgency
from adapter.fhir import to_bundle
from adapter.read.bundle import from_bundle

SITES = Path(__file__).resolve().parents[2] / "examples" / "sites"
ROWAN = load_catalogue(SITES / "rowan-firth")
NEGATIVE, POSITIVE = (said("rf_antiglobulin", answer) for answer in ("negative", "positive"))


def blood(value: str, hours: str, unit: str = "umol/L", **more: object) -> Finding:
    """A sample at an hour of life, whenever the exam is."""
    at = BORN + timedelta(seconds=int(Decimal(hours) * 3600))
    return read("serum_bilirubin", value, unit, observed_at=at, **more)


def line_of(exam: Exam, catalogue: Catalogue = ROWAN) -> tuple[Meaning, Flag, Urgency | None, str] | None:
    """What the table says of the one sample."""
    found = made(exam, "bilirubin_line", catalogue)
    (one,) = found or (None,)
    return None if one is None else (one.meaning, one.flag, one.urgency, one.finding.text or "")


UNDER, LAMP, EXCHANGE = Urgency.NONE, Urgency.TELL_SOON, Urgency.TELL_NOW


@pytest.mark.parametrize(
    ("value", "hours", "weeks", "beside", "urgency"),
    [
        ("109.9", "24", 38, (), UNDER),
        ("110", "24", 38, (), LAMP),  # on the line is over it
        ("134.9", "36", 38, (), UNDER),  # half way between 110 and 160
        ("135", "36", 38, (), LAMP),
        ("139.9", "24", 38, (NEGATIVE,), UNDER),
        ("140", "24", 38, (NEGATIVE,), LAMP),
        ("110", "24", 38, (POSITIVE,), LAMP),
        ("110", "24", 38, (NEGATIVE, said("family_history", "red_cell_or_enzyme")), LAMP),  # the careful group first
        ("89.9", "24", 37, (), UNDER),
        ("90", "24", 37, (), LAMP),
        ("219", "24", 38, (), LAMP),
        ("220", "24", 38, (), EXCHANGE),
        ("220", "96", 43, (), LAMP),  # the last hour of the table is in it
    ],
)
def test_a_sample_lies_over_a_line_or_under_all(
    value: str, hours: str, weeks: int, beside: tuple[Finding, ...], urgency: Urgency
) -> None:
    exam = scene(blood(value, hours), *beside, hours="100", weeks=weeks)
    found = line_of(exam)
    assert found is not None
    assert found[2] is urgency
    assert found[0] is (Meaning.EXPECTED if urgency is UNDER else Meaning.ABNORMAL)
    told = [one for one in tells(exam, ROWAN) if one.rule == "rowan_firth_blood"]
    assert [one.urgency for one in told] == ([] if urgency is UNDER else [urgency])
    assert not [one for one in tells(exam, ROWAN) if one.rule.endswith(".not_judged")]


def test_what_is_told_names_the_line_the_hour_the_value_the_table_and_its_source() -> None:
    (line,) = tells(scene(blood("12", "60", "mg/dL"), hours="100", weeks=38), ROWAN)
    assert line.words.startswith("Bilirubin in serum or plasma: 12 mg/dL (205.2 umol/L): ")
    assert line.words.endswith("on or over 'Lamp (invented)' of 180 umol/L at 60.0 h of life")
    assert "version 2026-11" in line.reason
    assert "not recorded, so that the lines are those 'with a risk recorded'" in line.reason
    assert line.source == "Invented numbers of an invented site"


@pytest.mark.parametrize(
    ("hours", "weeks", "why"),
    [
        ("11.9", 38, "lies outside its table, 12 to 96 h"),
        ("96.1", 38, "lies outside its table, 12 to 96 h"),
        ("48", 34, "34 weeks of gestation lie outside its table, 35 and more"),
        ("48", None, "the gestation at birth is not known"),
    ],
)
def test_nothing_is_said_beyond_the_table(hours: str, weeks: int | None, why: str) -> None:
    exam = scene(blood("150", hours), hours="100", weeks=weeks)
    assert line_of(exam) is None
    (reason,) = [one.said(ROWAN.words) for one in withheld(exam, ROWAN) if one.item == "bilirubin_line"]
    assert why in reason
    (sample, *_) = judged_findings(exam, ROWAN)[1]
    assert sample.judged is None
    assert why in (sample.not_judged or "")
    assert [one for one in tells(exam, ROWAN) if one.rule == "serum_bilirubin.not_judged"]


@pytest.mark.parametrize(
    ("value", "comparator", "urgency"),
    [("110", ">", LAMP), ("110", "<", UNDER), ("110", "<=", None), ("100", ">", None), ("250", ">=", EXCHANGE)],
)
def test_a_value_beyond_its_number_is_judged_by_what_is_sure(
    value: str, comparator: str, urgency: Urgency | None
) -> None:
    amount = Quantity(value=Decimal(value), unit="umol/L", comparator=Comparator(comparator))
    sample = Finding(item="serum_bilirubin", value=amount, observed_at=BORN + timedelta(hours=24))
    found = line_of(scene(sample, hours="100", weeks=38))
    assert (None if found is None else found[2]) is urgency


def test_skin_and_blood_are_kept_apart_and_a_step_holds_from_hour_to_hour() -> None:
    def skin(value: str) -> Exam:
        return scene(read("transcutaneous_bilirubin", value, "mg/dL", site="sternum"), hours="47.9", weeks=38)

    assert (line_of(skin("4.5")) or ())[2] is LAMP
    assert (line_of(skin("4.4")) or ())[2] is UNDER
    assert "through the skin" in (line_of(skin("4.5")) or ("",) * 4)[3]


def test_a_ceiling_stays_an_alarm_under_every_line(tmp_path: Path) -> None:
    """Before 24 h the shipped ranges tell 200 umol/L now; a table whose lines lie higher takes that from nobody."""
    exam = scene(blood("200", "20"), hours="24", weeks=39)
    high = site_with(tmp_path, "from_week,to_week,hour,lamp\n35,,12,500\n35,,96,500\n")
    assert (line_of(exam, high) or ())[2] is UNDER
    assert [one.urgency for one in tells(exam, high) if one.item.id == "serum_bilirubin"] == [Urgency.TELL_NOW]


def test_the_shipped_catalogue_has_no_table() -> None:
    plain = load_catalogue()
    exam = scene(blood("12", "60", "mg/dL"), hours="100", weeks=38)
    assert line_of(exam, plain) is None
    assert [one.rule for one in tells(exam, plain)] == ["serum_bilirubin.not_judged"]


def test_a_risk_recorded_in_an_earlier_exam_counts() -> None:
    first = scene(NEGATIVE, hours="10", weeks=38, exam_id="first")
    later = scene(blood("120", "24"), hours="30", weeks=38, exam_id="later")
    assert (line_of(later) or ())[2] is LAMP
    (found,) = [one for one in judged_findings(later, ROWAN, [first])[0] if one.finding.item == "bilirubin_line"]
    assert found.urgency is UNDER


def test_over_the_exams_a_line_gets_worse_and_is_resolved() -> None:
    exams = [
        scene(blood(value, hours), hours=hours, weeks=38, exam_id=f"inv-{hours}")
        for value, hours in (("165", "48"), ("330", "72"), ("120", "90"))
    ]
    said_of = [
        [
            one.standing and one.standing.value
            for one in series_list(exams[:n], exams[n], ROWAN)
            if one.line.item.id == "bilirubin_line"
        ]
        for n in range(3)
    ]
    assert said_of == [[None], ["worse"], ["resolved"]]


def test_fhir_has_the_interpretation_and_the_table_with_its_version() -> None:
    exam = scene(blood("165", "48"), blood("100", "36"), hours="50", weeks=38, kind="shift")
    bundle = to_bundle(exam, ROWAN)
    own = [one["resource"] for one in bundle["entry"] if one["resource"]["resourceType"] == "Observation"]
    flags = {
        one["identifier"][0]["value"]: one["interpretation"][0]["coding"][0]["code"]
        for one in own
        if "bilirubin" in one["identifier"][0]["value"] and "interpretation" in one
    }
    assert flags["inv-1/serum_bilirubin"] == flags["inv-1/bilirubin_line/rowan_firth_blood"] == "H"
    assert flags["inv-1/serum_bilirubin/2"] == flags["inv-1/bilirubin_line/rowan_firth_blood/2"] == "N"
    (line, _) = [one for one in own if "bilirubin_line" in one["identifier"][0]["value"]]
    assert "version 2026-11; Invented numbers" in line["method"]["text"]
    assert len(line["derivedFrom"]) == 1
    assert from_bundle(bundle, ROWAN) == [exam]


@given(
    value=st.integers(10, 600),
    more=st.integers(0, 200),
    hour=st.integers(12, 96),
    weeks=st.integers(35, 43),
)
def test_a_higher_value_never_lies_under_a_lower_one(value: int, more: int, hour: int, weeks: int) -> None:
    ones = (scene(blood(str(n), str(hour)), hours="100", weeks=weeks) for n in (value, value + more))
    low, high = map(line_of, ones)
    assert low is not None
    assert high is not None
    order = tuple(Urgency)
    assert order.index(low[2] or UNDER) <= order.index(high[2] or UNDER)


TABLE = """id: own
label: Invented lines
version: "1"
source: Invented
licence: Invented
items: [serum_bilirubin]
unit: umol/L
between: step
lines:
- {id: lamp, label: Lamp, urgency: tell-soon}
"""


def site_with(folder: Path, rows: str, table: str = TABLE) -> Catalogue:
    """A site with one table."""
    (folder / "hours").mkdir()
    (folder / "hours" / "own.yaml").write_text(table, encoding="utf-8")
    (folder / "hours" / "own.csv").write_text(rows, encoding="utf-8")
    return load_catalogue(folder)
