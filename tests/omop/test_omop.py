"""OMOP CDM 5.4 rows, loaded into a database made by the published field table.

Sources: the CDM 5.4 field table (OHDSI CommonDataModel) as an independent package carries it, for fields and DDL
types; the same documentation for what is required and for what becomes 0 or NULL (``value_as_concept_id``,
``unit_concept_id``, ``operator_concept_id``), read by hand.
"""

from __future__ import annotations

import csv
from collections import Counter
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from hypothesis import given

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam, Finding, Identifier, Quantities, Quantity, Score, Side, Status
from adapter.write.omop import IDENTIFIED, BadKeys, Keys, OmopFiles, load_concepts, read_keys
from adapter.write.omop.cdm import TooLong, cdm
from adapter.write.omop.events import CdmRow, LeftOut, events
from adapter.write.tables import TabledExam
from drawn import drawn
from strategies import exams
from tests.omop.cdm_fields import published_fields

CATALOGUE = load_catalogue()
CONCEPTS = load_concepts()
TYPES = {"integer": "INTEGER", "float": "FLOAT", "date": "DATE", "datetime": "TIMESTAMP"}
TABLES = ("person", "observation_period", "visit_occurrence", "measurement", "observation", "note")


def write(found: list[Exam], folder: Path, catalogue: Catalogue, form: str = "csv", **options: object) -> OmopFiles:
    folder.mkdir(parents=True, exist_ok=True)
    files = OmopFiles(folder, catalogue, CONCEPTS, form, **options)  # type: ignore[arg-type]
    for exam in found:
        files.add(exam)
    files.close()
    return files


def database(folder: Path) -> duckdb.DuckDBPyConnection:
    """The CDM tables by the published types: required fields, keys and text lengths checked; filled from the CSV."""
    connection = duckdb.connect()
    published = published_fields()
    for table in TABLES:
        path = folder / f"{table}.csv"
        if not path.exists():
            continue
        fields = []
        for name, kind in published[table].items():
            size = kind.removeprefix("varchar(").rstrip(")") if kind.startswith("varchar") else ""
            limit = f" CHECK (length({name}) <= {size})" if size.isdigit() else ""
            needed = " NOT NULL" if name in cdm()[table].required else ""
            key = " PRIMARY KEY" if name == f"{table}_id" else ""
            fields.append(f"{name} {TYPES.get(kind, 'VARCHAR')}{needed}{key}{limit}")
        connection.execute(f"CREATE TABLE {table} ({', '.join(fields)})")
        columns = {name: TYPES.get(kind, "VARCHAR") for name, kind in published[table].items()}
        connection.execute(f"INSERT INTO {table} SELECT * FROM read_csv('{path}', header=true, columns={columns})")
    return connection


@pytest.fixture(scope="module")
def loaded(
    tmp_path_factory: pytest.TempPathFactory, every: list[Exam], catalogue: Catalogue
) -> duckdb.DuckDBPyConnection:
    folder = tmp_path_factory.mktemp("omop")
    write(every, folder, catalogue, notes=True)
    return database(folder)


@pytest.mark.parametrize("table", TABLES)
def test_fields_and_types_are_the_published_ones(table: str) -> None:
    ours = [c.name for c in cdm()[table].columns]
    published = published_fields()[table]
    assert ours == list(published)
    limits = {name: int(kind[8:-1]) for name, kind in published.items() if kind[8:-1].isdigit()}
    assert cdm()[table].longest == limits


def test_required_fields_are_the_documented_ones() -> None:
    """From the CDM 5.4 documentation, column "Required" of each table, read by hand."""
    required = {
        "measurement": {"measurement_id", "person_id", "measurement_concept_id", "measurement_date"}
        | {"measurement_type_concept_id"},
        "person": {"person_id", "gender_concept_id", "year_of_birth", "race_concept_id", "ethnicity_concept_id"},
        "visit_occurrence": {"visit_occurrence_id", "person_id", "visit_concept_id", "visit_start_date"}
        | {"visit_end_date", "visit_type_concept_id"},
        "note": {"note_id", "person_id", "note_date", "note_type_concept_id", "note_class_concept_id", "note_text"}
        | {"encoding_concept_id", "language_concept_id"},
    }
    assert {table: set(cdm()[table].required) for table in required} == required


def test_every_row_goes_into_the_published_tables_and_refers_to_what_is_there(
    loaded: duckdb.DuckDBPyConnection,
) -> None:
    for table in ("visit_occurrence", "measurement", "observation", "note", "observation_period"):
        lost = f"SELECT count(*) FROM {table} WHERE person_id NOT IN (SELECT person_id FROM person)"
        assert loaded.execute(lost).fetchone() == (0,)
    for table in ("measurement", "observation", "note"):
        lost = f"SELECT count(*) FROM {table} e LEFT JOIN visit_occurrence v USING (visit_occurrence_id, person_id)"
        lost = f"{lost} WHERE v.visit_occurrence_id IS NULL AND e.visit_occurrence_id IS NOT NULL"
        assert loaded.execute(lost).fetchone() == (0,)
        outside = f"SELECT count(*) FROM {table} JOIN visit_occurrence USING (visit_occurrence_id) WHERE "
        outside += f"{table}_datetime NOT BETWEEN visit_start_datetime AND visit_end_datetime"
        assert loaded.execute(outside).fetchone() == (0,)
    outside = (
        "SELECT count(*) FROM measurement m JOIN observation_period p USING (person_id) WHERE m.measurement_date "
        "NOT BETWEEN p.observation_period_start_date AND p.observation_period_end_date"
    )
    assert loaded.execute(outside).fetchone() == (0,)
    twice = "SELECT count(*) - count(DISTINCT person_id) FROM observation_period"
    assert loaded.execute(twice).fetchone() == (0,)


def test_concepts_are_verified_ones_or_0(loaded: duckdb.DuckDBPyConnection) -> None:
    with (Path(__file__).parents[2] / "mappings/omop/concepts.csv").open(encoding="utf-8") as file:
        known = {int(row["concept_id"]): row for row in csv.DictReader(file)}
    assert all(row["evidence"] for row in known.values())
    for table in TABLES:
        for column in [c for c in published_fields()[table] if c.endswith("concept_id")]:
            used = {row[0] for row in loaded.execute(f"SELECT DISTINCT {column} FROM {table}").fetchall()}
            allowed = known.keys() | {0, None} | ({32678} if column == "encoding_concept_id" else set())
            assert used <= allowed, (table, column)
    domains = {
        known[row[0]]["domain"]
        for row in loaded.execute("SELECT measurement_concept_id FROM measurement").fetchall()
        if row[0]
    }
    assert domains == {"Measurement"}
    mapped = loaded.execute("SELECT count(*) FROM observation WHERE observation_concept_id <> 0").fetchone()
    assert mapped == (0,)  # all concepts known so far are of domain Measurement, and may only stand there


def test_every_code_of_concepts_is_one_the_catalogue_sends(catalogue: Catalogue) -> None:
    """A row for a code that nothing sends would be dead data; loinc and ucum rows must be in use."""
    sent = {(code.system, code.code) for _, code in catalogue.codes()}
    sent |= {("ucum", unit) for unit in catalogue.units}
    with (Path(__file__).parents[2] / "mappings/omop/concepts.csv").open(encoding="utf-8") as file:
        rows = [(row["vocabulary"], row["code"]) for row in csv.DictReader(file)]
    assert len(set(rows)) == len(rows)
    assert {row for row in rows if row[0] in ("loinc", "ucum")} <= sent | {("ucum", "{score}"), ("ucum", "h")}


def exam_with(base: Exam, *findings: Finding, **details: object) -> Exam:
    return Exam(details=base.details.model_copy(update=details), newborn=base.newborn, findings=findings)


def made(exam: Exam, catalogue: Catalogue, notes: bool = False) -> list[CdmRow | LeftOut]:
    found = events(TabledExam(exam, catalogue), CONCEPTS, notes)
    computed = ("gestational_age_at_birth", "weight_change_percent", "size_for_gestation")
    return [one for one in found if isinstance(one, LeftOut) or _source(one).split("/")[0] not in computed]


def _source(event: CdmRow) -> str:
    name = "note_source_value" if event.table == "note" else f"{event.table}_source_value"
    return str(event.cells[name])


def test_pressures_are_a_row_each(every: list[Exam], catalogue: Catalogue) -> None:
    """CDM 5.4, measurement.value_as_number: blood pressures are split into their component parts."""
    value = Quantities(components={"systolic": Decimal(62), "diastolic": Decimal(38)}, unit="mmHg")
    rows = made(exam_with(every[0], Finding(item="blood_pressure", site="right_arm", value=value)), catalogue)
    assert [
        (r.cells["measurement_concept_id"], r.cells["value_as_number"], r.cells["unit_concept_id"])
        for r in rows
        if isinstance(r, CdmRow)
    ] == [
        (3004249, 62, 8876),
        (3012888, 38, 8876),
    ]
    assert next(_source(r) for r in rows if isinstance(r, CdmRow)) == "blood_pressure.systolic/right_arm"


def test_a_number_with_comparator_unit_and_side(every: list[Exam], catalogue: Catalogue) -> None:
    low = Quantity(value=Decimal("40"), unit="/min", comparator="<")
    (row,) = made(exam_with(every[0], Finding(item="heart_rate", value=low)), catalogue)
    assert isinstance(row, CdmRow)
    assert row.table == "measurement"
    assert (row.cells["measurement_concept_id"], row.cells["operator_concept_id"]) == (3027018, 4171756)
    assert row.cells["value_source_value"] == "<40"
    exact = Quantity(value=Decimal("3.100"), unit="kg")
    (row,) = made(exam_with(every[0], Finding(item="weight", value=exact)), catalogue)
    assert isinstance(row, CdmRow)
    assert "operator_concept_id" not in row.cells  # NULL where the value is exact
    assert (row.cells["value_as_number"], row.cells["unit_concept_id"]) == (Decimal(3100), 8504)
    # CDM 5.4: both are verbatim of the source, and so of one measurement: 3.100 kg, never 3.100 g.
    assert (row.cells["value_source_value"], row.cells["unit_source_value"]) == ("3.100", "kg")
    assert row.cells["unit_source_concept_id"] == 9529
    assert row.unmapped == ()
    compound = Quantity(value=Decimal(7), unit="lb", plus={"value": Decimal(2), "unit": "oz"})
    (row,) = made(exam_with(every[0], Finding(item="weight", value=compound)), catalogue)
    assert isinstance(row, CdmRow)
    assert (row.cells["value_source_value"], row.cells["unit_source_value"]) == ("7+2", "lb+oz")
    fingers = Finding(item="finger_count", side=Side.LEFT, value=Quantity(value=Decimal(6), unit="{#}"))
    (row,) = made(exam_with(every[0], fingers), catalogue)
    assert isinstance(row, CdmRow)
    assert (row.cells["unit_concept_id"], row.cells["unit_source_value"]) == (0, "{#}")  # 0, and listed
    assert ("unit", "{#}") in [(u.kind, u.code) for u in row.unmapped]


def test_an_answer_without_a_concept_is_0_and_keeps_its_source(every: list[Exam], catalogue: Catalogue) -> None:
    finding = Finding(item="femoral_pulse", side=Side.LEFT, value="weak")
    (row,) = made(exam_with(every[0], finding), catalogue)
    assert isinstance(row, CdmRow)
    assert row.table == "observation"
    cells = row.cells
    assert (cells["observation_concept_id"], cells["value_as_concept_id"]) == (0, 0)
    assert (cells["observation_source_value"], cells["value_source_value"]) == ("femoral_pulse/left", "weak")
    assert cells["qualifier_source_value"] == "left"
    assert {(u.kind, u.code) for u in row.unmapped} == {
        ("question", "femoral_pulse"),
        ("answer", "femoral_pulse.weak"),
    }
    assert any("snomed" in u.published for u in row.unmapped)


def test_gaps_errors_rules_and_words_are_left_out_and_counted(
    every: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    base = every[0]
    skipped = Finding(item="palate", not_examined="crying")
    worded = Finding(item="cry", text="like a kitten", note="by the window")
    rows = made(exam_with(base, skipped, worded), catalogue)
    assert [one.reason for one in rows if isinstance(one, LeftOut)] == ["not examined", "free text", "free text"]
    assert not [one for one in rows if isinstance(one, CdmRow)]
    noted = [one for one in made(exam_with(base, skipped, worded), catalogue, notes=True) if isinstance(one, CdmRow)]
    assert [one.cells["note_text"] for one in noted] == ["like a kitten", "by the window"]
    retracted = exam_with(base, worded, status=Status.ENTERED_IN_ERROR, amends="first", reason="wrong infant")
    files = write([retracted], tmp_path / "omop", catalogue)
    assert files.left_out["entered in error"] >= 1
    report = pd.read_csv(tmp_path / "omop" / "report.csv")
    assert report[report["what"] == "rows"]["rows"].sum() == 0
    assert not (tmp_path / "omop" / "note.csv").exists()  # only where asked for


def test_a_note_that_several_answers_carry_stands_once(every: list[Exam], catalogue: Catalogue) -> None:
    two = [a.id for a in catalogue.items["benign_skin_findings"].answers if not a.exclusive][:2]
    findings = [Finding(item="benign_skin_findings", value=one, note="on the back") for one in two]
    rows = made(exam_with(every[0], *findings), catalogue, notes=True)
    assert Counter(one.table for one in rows if isinstance(one, CdmRow)) == {"observation": 2, "note": 1}


def test_person_and_visit(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    first = exam_with(every[0], encounter=Identifier(system="mrn", value="V1"))
    later = first.details.started + timedelta(days=1)
    second = exam_with(first, id="second", started=later, ended=later + timedelta(hours=1))
    write([first, second], tmp_path, catalogue)
    person = pd.read_csv(tmp_path / "person.csv")
    born = first.newborn.birth_time
    assert person["year_of_birth"].tolist() == [born.year]
    assert person["birth_datetime"].tolist() == [born.replace(tzinfo=None).isoformat()]
    assert person["gender_concept_id"].tolist() == [{"female": 8532, "male": 8507}.get(first.newborn.sex.value, 0)]
    visits = pd.read_csv(tmp_path / "visit_occurrence.csv")
    assert len(visits) == 1  # one encounter, two exams
    assert visits["visit_end_datetime"][0] == (later + timedelta(hours=1)).replace(tzinfo=None).isoformat()
    assert visits["visit_start_datetime"][0] == first.details.started.replace(tzinfo=None).isoformat()


def test_what_was_found_before_the_exam_has_no_visit(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    """The visit is that of the exam, so the Apgar score of the first minute is of none that is known."""
    apgar = Finding(item="apgar_1_min", value=Score(total=8))
    rate = Finding(item="heart_rate", value=Quantity(value=Decimal(140), unit="/min"))
    write([exam_with(every[0], apgar, rate)], tmp_path, catalogue)
    rows = pd.read_csv(tmp_path / "measurement.csv")
    seen = pd.concat([rows, pd.read_csv(tmp_path / "observation.csv")])
    named = seen["measurement_source_value"].fillna(seen["observation_source_value"])
    held = dict(zip(named, seen["visit_occurrence_id"].notna(), strict=True))
    assert (held["apgar_1_min"], held["heart_rate"]) == (False, True)


def test_a_newborn_has_one_offset(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    """Clocks go back an hour at 2026-10-25T01:00Z in Europe: birth before, a finding 20 minutes later."""
    born = datetime.fromisoformat("2026-10-25T02:50:00+02:00")
    after = datetime.fromisoformat("2026-10-25T02:10:00+01:00")
    newborn = every[0].newborn.model_copy(update={"birth_time": born})
    rate = Finding(item="heart_rate", value=Quantity(value=Decimal(140), unit="/min"), observed_at=after)
    details = {"started": after, "ended": None}
    first = exam_with(every[0].model_copy(update={"newborn": newborn}), rate, **details)
    elsewhere = newborn.model_copy(update={"birth_time": born.astimezone(UTC)})
    second = exam_with(every[0].model_copy(update={"newborn": elsewhere}), rate, **{**details, "id": "second"})
    write([first, second], tmp_path, catalogue)
    rows = pd.read_csv(tmp_path / "measurement.csv", parse_dates=["measurement_datetime"])
    person = pd.read_csv(tmp_path / "person.csv", parse_dates=["birth_datetime"])
    visits = pd.read_csv(tmp_path / "visit_occurrence.csv", parse_dates=["visit_start_datetime"])
    since = (rows["measurement_datetime"] - person["birth_datetime"][0]).dt.total_seconds() / 60
    assert since[rows["measurement_source_value"] == "heart_rate"].tolist() == [20, 20]
    assert (visits["visit_start_datetime"] > person["birth_datetime"][0]).all()


def test_keys_fit_into_32_bits() -> None:
    """CDM 5.4 DDL: measurement_id is an integer, in the databases that OHDSI names one of 32 bits."""
    keys = Keys()
    made = [keys.row(f"exam {n}", place) for n in range(3) for place in range(130)]
    assert len(set(made)) == len(made)
    assert made[64 * 2] - made[0] == 2 * 64  # 130 rows take three blocks
    again = Keys([("rows", "exam 2000000/0", 20_000_000)])
    assert again.row("exam 2000001", 5) == 20_000_001 * 64 + 5 < 2**31  # more exams than 1,000 keys each would take
    last = Keys([("rows", "last/0", 2**31 // 64 - 1)])
    with pytest.raises(BadKeys, match="2147483647"):
        last.row("one more", 0)


def test_keys_of_an_identified_extract_are_refused_in_another(
    every: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    """Its ids are made of identifiers, by a rule that is public: whoever has an identifier finds the number."""
    write(every[:2], tmp_path / "one", catalogue)
    keys = tmp_path / "one" / "keys.csv"
    with pytest.raises(BadKeys, match="identified"):
        read_keys(keys, "a mark")
    older = tmp_path / "older.csv"
    older.write_text("kind,key,id\nperson,some-patient,1\n", encoding="utf-8")
    with pytest.raises(BadKeys, match="identified"):
        read_keys(older, "a mark")
    write(every[:2], tmp_path / "two", catalogue, keys=Keys(made_for="a mark"))
    assert read_keys(tmp_path / "two" / "keys.csv", "a mark").number("person", "new") == 3
    for other in ("another mark", IDENTIFIED):
        with pytest.raises(BadKeys):
            read_keys(tmp_path / "two" / "keys.csv", other)


def test_keys_are_stable_when_they_are_given_back(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    write(every[:3], tmp_path / "one", catalogue)
    write(every[::-1], tmp_path / "two", catalogue, keys=read_keys(tmp_path / "one" / "keys.csv"))
    for table in ("person", "visit_occurrence", "measurement", "observation", "observation_period"):
        earlier = pd.read_csv(tmp_path / "one" / f"{table}.csv", dtype=str).set_index(f"{table}_id")
        now = pd.read_csv(tmp_path / "two" / f"{table}.csv", dtype=str).set_index(f"{table}_id")
        pd.testing.assert_frame_equal(now.loc[earlier.index], earlier, check_dtype=False)
        assert now.index.is_unique


def test_wrong_keys_are_told(tmp_path: Path) -> None:
    with pytest.raises(BadKeys, match="cannot be read"):
        read_keys(tmp_path / "none.csv")
    (tmp_path / "keys.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(BadKeys, match="kind, key and id"):
        read_keys(tmp_path / "keys.csv")
    with pytest.raises(BadKeys, match="twice"):
        Keys([("person", "a", 1), ("person", "a", 2)])


def test_nothing_is_cut_off() -> None:
    table = cdm()["observation"]
    needed = {"observation_id": 1, "person_id": 1, "observation_concept_id": 0, "observation_type_concept_id": 0}
    from datetime import date

    needed |= {"observation_date": date(2026, 3, 1)}  # type: ignore[dict-item]
    assert table.row({**needed, "value_as_string": "x" * 60})
    with pytest.raises(TooLong):
        table.row({**needed, "value_as_string": "x" * 61})
    with pytest.raises(ValueError, match="required"):
        table.row({**needed, "person_id": None})
    with pytest.raises(KeyError):
        table.row({**needed, "nonsense": 1})


def test_every_item_and_answer_of_the_catalogue_fits(catalogue: Catalogue) -> None:
    sites = max(len(site) for site in catalogue.sites)
    for item in catalogue.items.values():
        assert len(item.id) <= 50
        assert all(len(f"{item.id}.{c.id}") <= 50 for c in item.components)
        assert all(len(answer.id) <= 50 for answer in item.answers)
    assert sites + len("right/") <= 50


@given(exams(CATALOGUE))
@drawn(25)
def test_every_finding_is_a_row_or_counted(exam: Exam) -> None:
    tabled = TabledExam(exam, CATALOGUE)
    found = list(events(tabled, CONCEPTS, notes=True))
    if exam.details.status is Status.ENTERED_IN_ERROR:
        assert all(isinstance(one, LeftOut) for one in found)
        assert len(found) == len(tabled.findings)
        return
    skipped = sum(one.finding.not_examined is not None for one in tabled.findings)
    assert sum(isinstance(one, LeftOut) and one.reason == "not examined" for one in found) == skipped
    for one in found:
        if isinstance(one, CdmRow):
            cells = {**one.cells, f"{one.table}_id": 1, "person_id": 1, "visit_occurrence_id": 1}
            assert cdm()[one.table].row(cells)


def test_parquet_holds_the_same(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    write(every[:4], tmp_path / "csv", catalogue)
    write(every[:4], tmp_path / "parquet", catalogue, "parquet")
    for table in ("person", "visit_occurrence", "measurement", "observation"):
        counts = [
            duckdb.execute(f"SELECT count(*), sum({table}_id) FROM '{tmp_path}/{form}/{table}.{form}'").fetchall()
            for form in ("csv", "parquet")
        ]
        assert counts[0] == counts[1]
    typed = duckdb.execute(
        f"SELECT DISTINCT typeof(birth_datetime), typeof(person_id) FROM '{tmp_path}/parquet/person.parquet'"
    )
    assert typed.fetchall() == [("TIMESTAMP", "BIGINT")]
