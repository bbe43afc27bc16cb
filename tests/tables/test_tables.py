"""The tables hold what the exam holds: each finding once, wide and long alike, and nothing that was not recorded."""

from __future__ import annotations

import pickle
from collections import Counter
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import Phase, given
from hypothesis import strategies as st
from table_rows import row, rows

from adapter.catalogue import Catalogue, ItemType, load_catalogue
from adapter.derive import completeness, judged_findings, number
from adapter.derive.completeness import side_of
from adapter.exam import At, Exam, Finding, Quantities, Quantity, Score, Side
from adapter.fhir import to_bundle
from adapter.read.bundle import from_bundle
from adapter.write.tables import TABLES, Type
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
PYTHON = {Type.TEXT: str, Type.INTEGER: int, Type.DECIMAL: (Decimal, int), Type.BOOLEAN: bool, Type.INSTANT: datetime}
several = drawn(40, phases=(Phase.explicit, Phase.reuse, Phase.generate))


def described(finding: Finding) -> tuple[object, ...]:
    """What tells one finding from another, as the long table should hold it."""
    value = finding.value
    number = f"{value.value:f}" if isinstance(value, Quantity) and value.plus is None else None
    return finding.item, finding.answer, finding.not_examined, finding.text, finding.note, finding.state, number


@several
@given(exams(CATALOGUE))
def test_each_finding_is_one_row_and_no_other_is(exam: Exam) -> None:
    found = rows("findings", [exam], CATALOGUE)
    captured = [one for one in found if one["origin"] == "captured"]
    assert [one["finding_number"] for one in found] == list(range(1, len(found) + 1))
    held = Counter(
        (
            one["item"],
            one["answer"],
            one["not_examined"],
            one["in_words"],
            one["note"],
            one["infant_state"],
            one["captured_number"] if one["captured_number"] and "+" not in one["captured_number"] else None,
        )
        for one in captured
        if one["item_type"] != "score"
    )
    scored = {item.id for item in CATALOGUE.items.values() if item.type is ItemType.SCORE}
    assert held == Counter(described(finding) for finding in exam.findings if finding.item not in scored)
    assert Counter(one["item"] for one in captured) == Counter(finding.item for finding in exam.findings)
    assert len(found) == len(judged_findings(exam, CATALOGUE)[1])
    assert len({one["finding_id"] for one in found}) == len(found)


@several
@given(exams(CATALOGUE))
def test_finding_ids_are_those_of_the_observations(exam: Exam) -> None:
    observations = [e["resource"] for e in to_bundle(exam, CATALOGUE)["entry"] if e["fullUrl"].startswith("urn")]
    sent = {
        r["identifier"][0]["value"]
        for r in observations
        if r["resourceType"] == "Observation" and "hasMember" not in r
    }
    assert {one["finding_id"] for one in rows("findings", [exam], CATALOGUE)} == sent


@several
@given(exams(CATALOGUE, max_items=30))
def test_nothing_not_recorded_has_a_value(exam: Exam) -> None:
    wide = row("exams", exam, CATALOGUE)
    captured = {finding.item for finding in exam.findings}
    for column in TABLES["exams"].columns(CATALOGUE):
        if not column.item or column.name.endswith("_status"):
            continue
        value = wide[column.name]
        status = wide[column.status] if column.status else None
        judged_in_words = status == "in_words" and column.name.endswith("_meaning")  # the examiner's own urgency
        if status is not None and not status.startswith(("examined", "computed")) and not judged_in_words:
            assert value is None, (column.name, status, value)
        if column.item not in captured and status != "computed" and not CATALOGUE.items[column.item].computed:
            assert value is None, column.name
    gaps = {(gap.item, gap.side) for gap in completeness(exam, CATALOGUE)}
    for item, side in gaps:
        name = f"{item}_{side.value}" if side else item
        sides = [name] if side or f"{item}_status" in wide else [f"{item}_left", f"{item}_right"]
        assert all(wide[f"{one}_status"] in ("not_recorded", "computed") for one in sides), name


@several
@given(exams(CATALOGUE, max_items=30))
def test_wide_and_long_agree(exam: Exam) -> None:
    """Every value of the wide table is one of the long table's, and every number of the long one is in the wide."""
    wide = row("exams", exam, CATALOGUE)
    long = rows("findings", [exam], CATALOGUE)
    for one in long:
        item = CATALOGUE.items[one["item"]]
        if one["origin"] == "computed":
            continue
        sided = f"{item.id}_{one['side']}_status" in wide
        place = f"{item.id}_{one['side']}" if sided else item.id
        if one["status"] == "not_examined":
            assert wide[f"{place}_status"].startswith(("not_examined:", "examined", "in_words"))
            continue
        assert wide[f"{place}_status"] in ("examined", "in_words")
        own = (
            f"{place}_{one['site']}" if f"{place}_{one['site']}" in wide and item.type is ItemType.QUANTITY else place
        )
        if item.type is ItemType.QUANTITY and own not in (wide["repeated"] or "").split(";"):
            assert wide[own] == one["number"]
            assert wide[f"{own}_comparator"] == one["comparator"]
        if item.type is ItemType.SCORE and item.id not in (wide["repeated"] or "").split(";"):
            assert wide[item.id] == one["number"]
        if one["answer"] is not None:
            answers = [wide[c] for c in (place, f"{item.id}_left", f"{item.id}_right") if c in wide]
            given_answers = {a for text in answers if isinstance(text, str) for a in text.split(";")}
            repeated = (wide["repeated"] or "").split(";")
            assert one["answer"] in given_answers or any(name.startswith(item.id) for name in repeated)
    counted = Counter(one["status"] for one in long if one["origin"] == "captured")
    assert wide["findings_examined"] == counted["examined"]
    assert wide["findings_not_examined"] == counted["not_examined"]
    assert wide["items_not_recorded"] == len(completeness(exam, CATALOGUE))


@several
@given(exams(CATALOGUE))
def test_cells_have_the_types_that_the_columns_say(exam: Exam) -> None:
    for name, table in TABLES.items():
        columns = table.columns(CATALOGUE)
        for cells in table.rows(exam, CATALOGUE):
            assert len(cells) == len(columns)
            for column, value in zip(columns, cells, strict=True):
                if value is None:
                    continue
                assert isinstance(value, PYTHON[column.type]), (name, column.name, value)
                assert not isinstance(value, float)
                if column.type is Type.INSTANT:
                    assert value.utcoffset() == datetime.now(UTC).utcoffset()
                if column.allowed:
                    parts = value.split(";") if column.several else [value]
                    assert set(parts) <= {allowed for allowed, _ in column.allowed}, (name, column.name, value)


@several
@given(exams(CATALOGUE))
def test_components_hold_every_number_and_sign(exam: Exam) -> None:
    found = rows("components", [exam], CATALOGUE)
    parts = Counter(
        (finding.item, part)
        for finding in exam.findings
        for part in (
            finding.value.components
            if isinstance(finding.value, Quantities)
            else finding.value.signs
            if isinstance(finding.value, Score)
            else ()
        )
    )
    assert Counter((one["item"], one["component"]) for one in found if one["finding_id"]) == parts


@several
@given(exams(CATALOGUE))
def test_an_exam_and_its_bundle_give_the_same_rows(exam: Exam) -> None:
    """The tables of what a server gives back are those of what was captured."""
    (back,) = from_bundle(to_bundle(exam, CATALOGUE), CATALOGUE)
    for table in TABLES.values():
        assert list(table.rows(back, CATALOGUE)) == list(table.rows(exam, CATALOGUE))


def test_moments_keep_instant_and_offset(every: list[Exam], catalogue: Catalogue) -> None:
    for exam in every:
        one = row("newborns", exam, catalogue)
        offset = exam.newborn.birth_time.utcoffset()
        assert offset is not None
        assert one["birth"] == exam.newborn.birth_time
        assert one["birth_offset_minutes"] * 60 == offset.total_seconds()
        for finding, known in zip(exam.findings, rows("findings", [exam], catalogue), strict=False):
            if isinstance(finding.value, At):
                assert known["moment"] == finding.value.time
                assert known["moment_age_hours"] is not None


@pytest.mark.parametrize("name", TABLES)
def test_columns_are_the_catalogues(name: str, catalogue: Catalogue) -> None:
    columns = TABLES[name].columns(catalogue)
    names = [column.name for column in columns]
    assert len(set(names)) == len(names)
    assert all(n.isidentifier() and n == n.lower() for n in names), [n for n in names if not n.isidentifier()]
    assert all(column.label for column in columns)
    known = set(names)
    assert all(not column.status or column.status in known for column in columns)


def test_every_item_has_its_columns(catalogue: Catalogue) -> None:
    held = {column.item for column in TABLES["exams"].columns(catalogue)}
    assert held - {""} == set(catalogue.items)


def test_a_table_travels_by_its_name() -> None:
    """Worker processes get the name and the site's path; what they need beside the catalogue is picklable."""
    for name, table in TABLES.items():
        assert pickle.loads(pickle.dumps(table)) == TABLES[name]


def test_sides_sites_answers_and_gaps_by_example(catalogue: Catalogue, every: list[Exam]) -> None:
    base = every[0]
    kept = {"birth_time": base.newborn.birth_time, "sex": base.newborn.sex}
    findings = (
        Finding(item="femoral_pulse", side=Side.LEFT, value="weak"),
        Finding(item="femoral_pulse", side=Side.RIGHT, not_examined="crying"),
        Finding(item="oxygen_saturation", site="right_hand", value=Quantity(value=Decimal("97"), unit="%")),
        Finding(item="oxygen_saturation", site="left_foot", value=Quantity(value=Decimal("95.0"), unit="%")),
        Finding(item="weight", value=Quantity(value=Decimal("3.10"), unit="kg")),
    )
    details = base.details.model_copy(update={"kind": "initial"})
    exam = Exam(details=details, newborn=base.newborn.model_copy(update=kept), findings=findings)
    wide = row("exams", exam, catalogue)
    assert (wide["femoral_pulse_left"], wide["femoral_pulse_left_status"]) == ("weak", "examined")
    assert (wide["femoral_pulse_right"], wide["femoral_pulse_right_status"]) == (None, "not_examined:crying")
    assert wide["palate"] is None
    assert wide["palate_status"] == "not_recorded"
    assert wide["apgar_1_min_status"] in ("not_expected", "not_recorded")
    assert (wide["oxygen_saturation_right_hand"], wide["oxygen_saturation_left_foot"]) == (
        Decimal(97),
        Decimal("95.0"),
    )
    assert wide["weight"] == Decimal(3100)
    long = {one["item"]: one for one in rows("findings", [exam], catalogue) if one["origin"] == "captured"}
    assert (long["weight"]["captured_number"], long["weight"]["captured_unit"]) == ("3.10", "kg")
    assert (long["weight"]["number"], long["weight"]["unit"]) == (Decimal(3100), "g")
    assert long["oxygen_saturation"]["side"] == "left"  # the left foot has its side in its name
    assert side_of(findings[3], catalogue) is Side.LEFT
    assert number(findings[4], catalogue.items["weight"], catalogue) == 3100


def test_a_repeated_reading_leaves_the_latest_and_says_so(catalogue: Catalogue, every: list[Exam]) -> None:
    base = every[0]
    started = base.details.started
    later = started.replace(microsecond=0)
    findings = tuple(
        Finding(item="heart_rate", value=Quantity(value=Decimal(value), unit="/min"), observed_at=at)
        for value, at in ((151, later.replace(year=later.year + 1)), (140, None))
    )
    exam = Exam(details=base.details, newborn=base.newborn, findings=findings)
    wide = row("exams", exam, catalogue)
    assert wide["heart_rate"] == 151
    assert wide["repeated"] == "heart_rate;heart_rate_meaning"
    assert [one["number"] for one in rows("findings", [exam], catalogue)][:2] == [151, 140]


@given(st.data())
@drawn(10)
def test_tells_are_the_tell_list(data: st.DataObject) -> None:
    exam = data.draw(exams(CATALOGUE))
    from adapter.write.tables import TabledExam

    tabled = TabledExam(exam, CATALOGUE)
    found = rows("tells", [exam], CATALOGUE)
    assert [(one["words"], one["rule"]) for one in found] == [
        (tell.words, tell.rule) for tell in tabled.notifications
    ]
    ids = {one["finding_id"] for one in rows("findings", [exam], CATALOGUE)}
    assert all(name in ids for one in found for name in (one["rests_on"] or "").split(";") if name)
