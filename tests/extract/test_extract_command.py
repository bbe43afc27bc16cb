"""``newborn-adapter extract`` as a researcher meets it: files in, folders out, whole or not at all."""

from __future__ import annotations

import json
import os
import sys
from hashlib import sha256
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from adapter.catalogue import Catalogue, load_catalogue
from adapter.cli import cli
from adapter.exam import Exam, Sex, Status
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.read import read as read_exams
from adapter.read import read_captures, to_json
from adapter.read.bundle import from_bundle
from adapter.sandbox import Store, running
from adapter.send import FhirClient, fetch_all_exams, fetch_exams_of
from adapter.write.tables import TABLES

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT / "examples/captures"
pytestmark = pytest.mark.usefixtures("unproved")  # but for what is wanted, which is made once and proved
KEY = sha256(b"an invented key").hexdigest()


def extract(*arguments: str | Path, stdin: bytes = b"", **environment: str) -> Result:
    return CliRunner().invoke(cli, ["extract", *map(str, arguments)], input=stdin, env=environment)


@pytest.fixture(scope="module")
def examples(catalogue: Catalogue) -> list[Exam]:
    """The example exams; of the one that was amended both versions."""
    return [r.exam for p in sorted(CAPTURES.glob("*.json")) for r in read_captures(p, catalogue) if r.exam]


@pytest.fixture(scope="module")
def wanted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The extract of the examples from their capture files."""
    out = tmp_path_factory.mktemp("wanted") / "out"
    done = extract(CAPTURES, "--out", out)
    assert done.exit_code == 0, done.output
    assert "13 exams extracted, 1 replaced by later versions" in done.output
    assert "0 refused." in done.output
    assert "names and identifiers" in done.output
    return out


def same_tables(one: Path, other: Path) -> None:
    for name in TABLES:
        left, right = (pd.read_csv(folder / f"{name}.csv", dtype=str) for folder in (one, other))
        keys = [c for c in ("exam_id", "newborn_id", "finding_id", "component", "line") if c in left.columns]
        left, right = (f.sort_values(keys).reset_index(drop=True) for f in (left, right))
        pd.testing.assert_frame_equal(left, right, obj=name)


def test_the_tables_and_their_dictionary(wanted: Path) -> None:
    assert {path.name for path in wanted.iterdir()} == {
        *(f"{n}.csv" for n in TABLES),
        "datapackage.json",
        "held.csv",
        "labels.R",
        "labels.do",
        "labels.sps",
        "proof",
        "receipt.csv",
        "tables.ipynb",
        "dictionary.csv",
        "dictionary.html",
    }
    exams = pd.read_csv(wanted / "exams.csv")
    assert len(exams) == 13
    assert "demo-d10-v2" in set(exams["exam_id"])
    assert "demo-d10" not in set(exams["exam_id"])
    findings = pd.read_csv(wanted / "findings.csv", low_memory=False)
    assert findings.groupby("exam_id").size().sum() == len(findings)
    assert set(findings["exam_id"]) == set(exams["exam_id"])


def test_all_versions_on_request(tmp_path: Path) -> None:
    done = extract(CAPTURES, "--out", tmp_path / "out", "--all-versions", "--table", "exams")
    assert done.exit_code == 0, done.output
    exams = pd.read_csv(tmp_path / "out" / "exams.csv")
    assert len(exams) == 14
    assert exams.groupby("exam_root").size().max() == 2
    assert not (tmp_path / "out" / "findings.csv").exists()
    assert extract(CAPTURES, "--out", tmp_path / "b", "--all-versions", "--forms", "omop").exit_code == 2


@pytest.mark.parametrize("form", ["json", "xml", "ndjson", "by type", "capture ndjson", "standard input"])
def test_any_input_of_ours_gives_the_same_tables(
    form: str, examples: list[Exam], catalogue: Catalogue, wanted: Path, tmp_path: Path
) -> None:
    current = [exam for exam in examples if exam.details.id != "demo-d10"]
    given = tmp_path / "given"
    given.mkdir()
    bundles = [to_bundle(exam, catalogue, BundleType.COLLECTION) for exam in current]
    stdin = b""
    arguments: list[str | Path] = [given]
    if form in ("json", "xml"):
        for n, bundle in enumerate(bundles):
            content = to_xml(bundle) if form == "xml" else dumps(bundle, pretty=True)
            (given / f"{n}.{form}").write_bytes(content)
    elif form == "ndjson":
        (given / "all.ndjson").write_bytes(b"".join(dumps(bundle) + b"\n" for bundle in bundles))
    elif form == "by type":
        done = extract(CAPTURES, "--out", tmp_path / "bulk", "--forms", "ndjson")
        assert done.exit_code == 0
        arguments = [tmp_path / "bulk" / "fhir"]
    else:
        records = b"".join(json.dumps(json.loads(to_json(exam))).encode() + b"\n" for exam in examples)
        if form == "standard input":
            stdin, arguments = records, ["-"]
        else:
            (given / "all.ndjson").write_bytes(records)
    done = extract(*arguments, "--out", tmp_path / "out", stdin=stdin)
    assert done.exit_code == 0, done.output
    same_tables(tmp_path / "out", wanted)


def test_from_a_server(examples: list[Exam], catalogue: Catalogue, wanted: Path, tmp_path: Path) -> None:
    with running(Store()) as url:
        with FhirClient(url) as client:
            for exam in examples:
                if exam.details.id != "demo-d10":
                    client.transaction(to_bundle(exam, catalogue))
        done = extract("--from", url, "--out", tmp_path / "out")
        assert done.exit_code == 0, done.output
        same_tables(tmp_path / "out", wanted)
        newborn = catalogue.resolve(examples[0].newborn.identifiers[0])
        one = extract("--from", url, "--newborn", str(newborn), "--out", tmp_path / "one", "--table", "exams")
        assert one.exit_code == 0, one.output
        assert pd.read_csv(tmp_path / "one" / "exams.csv")["exam_id"].tolist() == [examples[0].details.id]
        named = extract("--from", url, "--exam", "demo-d05", "--out", tmp_path / "named", "--table", "exams")
        assert pd.read_csv(tmp_path / "named" / "exams.csv")["exam_id"].tolist() == ["demo-d05"], named.output
        missing = extract("--from", url, "--exam", "no-such", "--out", tmp_path / "missing")
        assert missing.exit_code == 2
        assert "no such exam" in missing.output
    away = extract("--from", url, "--out", tmp_path / "away")
    assert away.exit_code == 3
    assert not (tmp_path / "away").exists()


def test_every_form_at_once_as_parquet(tmp_path: Path) -> None:
    out = tmp_path / "study"
    forms = [word for form in ("tables", "ndjson", "views", "omop") for word in ("--forms", form)]
    done = extract(CAPTURES / "d01-well-term-girl.json", "--out", out, "--format", "parquet", *forms)
    assert done.exit_code == 0, done.output
    manifest = loads((out / "fhir" / "manifest.json").read_bytes())
    for entry in manifest["output"]:
        lines = (out / "fhir" / entry["url"]).read_bytes().split(b"\n")
        assert lines.pop() == b""
        assert len(lines) == entry["count"] > 0
        assert {loads(line)["resourceType"] for line in lines} == {entry["type"]}
        assert len({loads(line)["id"] for line in lines}) == len(lines)
    assert len(pd.read_parquet(out / "omop" / "person.parquet")) == 1
    assert loads((out / "views" / "newborn_findings.json").read_bytes())["resourceType"] == "ViewDefinition"


def test_manifests_have_what_the_guide_asks(tmp_path: Path) -> None:
    """HL7 Bulk Data Access, "Response - Complete Status": 3.0.0, and 4.0.0-ballot's BulkDataManifest."""
    extract(CAPTURES / "d01-well-term-girl.json", "--out", tmp_path / "o", "--forms", "ndjson")
    older = loads((tmp_path / "o/fhir/manifest.json").read_bytes())
    assert older.keys() == {"transactionTime", "request", "requiresAccessToken", "output", "error"}
    newer = loads((tmp_path / "o/fhir/manifest-4.0.0-ballot.json").read_bytes())
    assert {"manifestType", "transactionTime", "requiresAccessToken", "output", "outcome"} <= newer.keys()
    assert not {"request", "error"} & newer.keys()
    assert older["transactionTime"].endswith("Z")


def test_deidentified_by_the_command(tmp_path: Path) -> None:
    (tmp_path / "study.key").write_text(KEY + "\n", encoding="ascii")
    none = ("--deidentify", "limited-data-set", "--key-env", "STUDY_KEY")
    nobody = extract(CAPTURES, "--out", tmp_path / "none", "--table", "newborns", *none, STUDY_KEY=KEY)
    assert (nobody.exit_code, len(pd.read_csv(tmp_path / "none" / "newborns.csv"))) == (1, 0)
    assert "newborns are left out" in nobody.output
    assert ", or those who do differ too little in " in nobody.output
    policy = ("--deidentify", "limited-data-set", "--rare", "tell")
    by_file = extract(CAPTURES, "--out", tmp_path / "a", *policy, "--key-file", tmp_path / "study.key")
    by_name = extract(CAPTURES, "--out", tmp_path / "b", *policy, "--key-env", "STUDY_KEY", STUDY_KEY=KEY)
    assert by_file.exit_code == by_name.exit_code == 0, by_file.output
    same_tables(tmp_path / "a", tmp_path / "b")
    assert "rare_combinations.csv" in by_file.output
    assert "privacy officer" in by_file.output
    assert KEY not in by_file.output
    identified = b"".join(path.read_bytes() for path in CAPTURES.iterdir())
    names = {
        r["exam"]["examiners"][0]["name"] for r in map(json.loads, (p.read_text() for p in CAPTURES.glob("*.json")))
    }
    assert all(name.encode() in identified for name in names)
    for path in (tmp_path / "a").rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert not [name for name in names if name.encode() in content]
            assert KEY.encode() not in content


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ((), "name files"),
        (("none.json",), "there is no file"),
        ((CAPTURES, "--from", "http://127.0.0.1:1"), "name files"),
        ((CAPTURES, "--deidentify", "safe-harbor"), "name the key"),
        ((CAPTURES, "--deidentify", "nonsense", "--key-env", "HOME"), "no policy nonsense"),
        ((CAPTURES, "--deidentify", "safe-harbor", "--key-env", "SHORT"), "shorter than 32"),
        ((CAPTURES, "--key-env", "HOME"), "a key is for"),
        ((CAPTURES, "--omop-keys", "none.csv", "--forms", "omop"), "cannot be read"),
        (("--from", "http://127.0.0.1:1", "--newborn", "noidea"), "system|value"),
        (("--from", "ftp://server"), ""),
    ],
)
def test_wrong_use_is_told_and_leaves_nothing(arguments: tuple[str | Path, ...], word: str, tmp_path: Path) -> None:
    done = extract(*arguments, "--out", tmp_path / "out", SHORT="secret-but-short")
    assert done.exit_code == 2, done.output
    assert word in done.output
    assert "secret-but-short" not in done.output
    assert list(tmp_path.iterdir()) == []


def test_parquet_without_its_library_says_how_to_get_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    for forms in ("tables", "omop"):
        done = extract(CAPTURES, "--out", tmp_path / "out", "--format", "parquet", "--forms", forms)
        assert done.exit_code == 2
        assert ".[parquet]" in done.output
    assert list(tmp_path.iterdir()) == []


def test_the_extract_is_its_owners_alone(tmp_path: Path) -> None:
    extract(CAPTURES / "d01-well-term-girl.json", "--out", tmp_path / "out")
    assert (tmp_path / "out").stat().st_mode & 0o077 == 0


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine", encoding="utf-8")
    done = extract(CAPTURES, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "name a new" in done.output
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["mine.txt"]
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_refused_exams_are_told_and_the_others_extracted(tmp_path: Path) -> None:
    given = tmp_path / "given"
    given.mkdir()
    (given / "a.json").write_bytes((CAPTURES / "d01-well-term-girl.json").read_bytes())
    (given / "b.json").write_bytes((ROOT / "tests/wrong/pounds_as_kilograms.json").read_bytes())
    (given / "c.json").write_text('{"resourceType": "Bundle", "type": "collection", "entry": []}', encoding="utf-8")
    (given / "d.ndjson").write_text('{"resourceType": "Bundle"\n{"resourceType": "Patient"}\n', encoding="utf-8")
    done = extract(given, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "1 exam extracted, 4 refused." in done.output
    assert "a FHIR Bundle with no entries" in done.output
    assert "not JSON" in done.output
    assert len(pd.read_csv(tmp_path / "out" / "exams.csv")) == 1


def test_an_exam_given_twice_counts_once(tmp_path: Path) -> None:
    one = CAPTURES / "d01-well-term-girl.json"
    done = extract(one, one, "--out", tmp_path / "out", "--table", "exams")
    assert "1 exam extracted, 1 given twice, 0 refused." in done.output
    assert len(pd.read_csv(tmp_path / "out" / "exams.csv")) == 1


def test_an_amendment_counts_whatever_the_order(tmp_path: Path) -> None:
    first, second = (
        CAPTURES / f"d10-{n}.json" for n in ("1-girl-scalp-swelling-left", "2-girl-scalp-swelling-amended")
    )
    for n, order in enumerate(((first, second), (second, first))):
        done = extract(*order, "--out", tmp_path / f"{n}", "--table", "exams")
        assert pd.read_csv(tmp_path / f"{n}" / "exams.csv")["exam_id"].tolist() == ["demo-d10-v2"], done.output


def test_what_was_entered_in_error_is_in_no_table(examples: list[Exam], tmp_path: Path) -> None:
    """But in FHIR, where each resource says so in its status; with --all-versions it is in the tables too."""
    first = examples[0]
    details = {"id": "gone", "status": Status.ENTERED_IN_ERROR, "amends": first.details.id, "reason": "wrong infant"}
    retracted = first.model_copy(update={"details": first.details.model_copy(update=details)})
    for name, exam in (("a", retracted), ("b", first), ("c", examples[1])):
        (tmp_path / f"{name}.json").write_bytes(to_json(exam))
    given = [tmp_path / f"{name}.json" for name in "abc"]
    done = extract(*given, "--out", tmp_path / "out", "--forms", "tables", "--forms", "ndjson")
    assert "1 entered in error and left out of the tables" in done.output
    assert pd.read_csv(tmp_path / "out" / "exams.csv")["exam_id"].tolist() == [examples[1].details.id]
    assert pd.read_csv(tmp_path / "out" / "newborns.csv")["newborn_id"].nunique() == 1
    reports = (tmp_path / "out" / "fhir" / "DiagnosticReport.ndjson").read_bytes().splitlines()
    assert sorted(loads(line)["status"] for line in reports) == ["entered-in-error", "final"]
    extract(*given, "--out", tmp_path / "all", "--all-versions", "--table", "exams")
    statuses = pd.read_csv(tmp_path / "all" / "exams.csv")["exam_status"].tolist()
    assert sorted(statuses) == ["entered-in-error", "final", "final"]


def test_a_column_plan(tmp_path: Path) -> None:
    rows = ("id,date,sex,plurality,gestation,wt", "1,1964-11-11,male,single fetus,284,120")
    table = "\n".join([*rows, "2,1965-02-07,male,single fetus,NA,113", ""])
    (tmp_path / "births.csv").write_text(table, encoding="utf-8")
    plan = ROOT / "examples/plans/births_ounces_days.yaml"
    done = extract(tmp_path / "births.csv", "--columns", plan, "--out", tmp_path / "out", "--table", "exams")
    assert done.exit_code == 0, done.output
    exams = pd.read_csv(tmp_path / "out" / "exams.csv")
    assert exams["birth_weight"].tolist() == [3401.94, 3203.50]  # 120 and 113 oz at 28.349523125 g
    assert exams["gestation_weeks"].isna().tolist() == [False, True]


def test_a_sites_own_items_have_columns(tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    (site / "site.yaml").write_text("canonical: https://ward.example/fhir\n", encoding="utf-8")
    done = extract(CAPTURES / "d01-well-term-girl.json", "--site", site, "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert load_catalogue(site).settings.canonical == "https://ward.example/fhir"


def test_reading_never_raises_for_what_a_file_holds(tmp_path: Path, catalogue: Catalogue) -> None:
    for n, content in enumerate(
        (b"", b"{", b"<a/>", b'{"resourceType": 1}', b'{"resourceType": "Bundle", "entry": 3}', os.urandom(2000))
    ):
        path = tmp_path / f"{n}.json"
        path.write_bytes(content)
        found = list(read_exams([path], catalogue))
        assert all(reading.exam is None for reading in found)


@pytest.mark.parametrize(
    ("status", "damage", "first"),
    [
        (Status.AMENDED, "a finding", "original"),
        (Status.ENTERED_IN_ERROR, "cut off", "later"),
        (Status.ENTERED_IN_ERROR, "in a bundle", "original"),
        (Status.AMENDED, "the time", "later"),
    ],
)
def test_a_refused_version_sets_aside_what_it_takes_back(
    status: Status, damage: str, first: str, examples: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    """What somebody took back does not go on as final because the record that says so is damaged."""
    one, other = examples[0], examples[1]
    changed = {"id": "later", "status": status, "amends": one.details.id, "reason": "invented"}
    record = json.loads(to_json(one.model_copy(update={"details": one.details.model_copy(update=changed)})))
    if damage == "a finding":
        record["findings"][0]["item"] = "no_such_item"
    elif damage == "the time":
        record["exam"]["started"] = "yesterday"
    content = json.dumps(record).encode()
    if damage == "cut off":
        content = content[: len(content) // 2]
    elif damage == "in a bundle":
        later = one.model_copy(update={"details": one.details.model_copy(update=changed)})
        bundle = to_bundle(later, catalogue, BundleType.COLLECTION)
        patient = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient")
        patient["gender"] = "nonsense"
        content = dumps(bundle)
    given = tmp_path / "given"
    given.mkdir()
    (given / ("b.json" if first == "original" else "a.json")).write_bytes(content)
    (given / ("a.json" if first == "original" else "b.json")).write_bytes(to_json(one))
    (given / "c.json").write_bytes(to_json(other))
    done = extract(given, "--out", tmp_path / "out", "--table", "exams", "--forms", "tables", "--forms", "ndjson")
    assert done.exit_code == 1
    assert "a later version of it is refused" in done.output
    assert pd.read_csv(tmp_path / "out" / "exams.csv")["exam_id"].tolist() == [other.details.id]
    assert len((tmp_path / "out" / "fhir" / "DiagnosticReport.ndjson").read_bytes().splitlines()) == 1
    rejected = [json.loads(line) for line in (tmp_path / "out.rejected/problems.ndjson").read_bytes().splitlines()]
    assert [entry["problems"][0]["rule"] for entry in rejected].count("later-version-refused") == 1
    assert len(rejected) == 2


def test_a_later_version_that_is_well_counts_though_one_before_it_is_refused(
    examples: list[Exam], tmp_path: Path
) -> None:
    one = examples[0]
    wrong = {"id": "v2", "status": Status.AMENDED, "amends": one.details.id, "reason": "invented"}
    record = json.loads(to_json(one.model_copy(update={"details": one.details.model_copy(update=wrong)})))
    record["findings"][0]["item"] = "no_such_item"
    (tmp_path / "b.json").write_text(json.dumps(record), encoding="utf-8")
    (tmp_path / "a.json").write_bytes(to_json(one))
    well = one.model_copy(update={"details": one.details.model_copy(update={**wrong, "id": "v3"})})
    (tmp_path / "c.json").write_bytes(to_json(well))
    given = [tmp_path / f"{name}.json" for name in "abc"]
    alike = extract(*given, "--out", tmp_path / "none", "--table", "exams")
    assert alike.exit_code == 1
    assert "nothing says which of them is the newer" in alike.output
    (tmp_path / "c.json").write_bytes(to_json(after(well, "v2")))
    extract(*given, "--out", tmp_path / "out", "--table", "exams")
    assert pd.read_csv(tmp_path / "out" / "exams.csv")["exam_id"].tolist() == ["v3"]


def after(one: Exam, version: str) -> Exam:
    return one.model_copy(update={"details": one.details.model_copy(update={"amends": version})})


def test_an_amendment_of_an_amendment_stands_for_the_exam_as_first_recorded(
    examples: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    """In converted bundles too, and in whatever order the files come."""
    one = examples[0]
    changed = {"status": Status.AMENDED, "amends": one.details.id, "reason": "invented"}
    second = one.model_copy(update={"details": one.details.model_copy(update={**changed, "id": "a-second"})})
    third = after(
        second.model_copy(update={"details": second.details.model_copy(update={"id": "b-third"})}), "a-second"
    )
    given, bundles = tmp_path / "given", tmp_path / "bundles.ndjson"
    given.mkdir()
    for place, exam in enumerate((third, one, second)):
        (given / f"{place}.json").write_bytes(to_json(exam))
    done = CliRunner().invoke(cli, ["convert", str(given), "--out", str(bundles), "--quiet"])
    assert done.exit_code == 0, done.output
    for source in (given, bundles):
        out = tmp_path / f"out{source.suffix}"
        assert extract(source, "--out", out, "--table", "exams").exit_code == 0
        exams = pd.read_csv(out / "exams.csv")
        assert exams[["exam_id", "exam_root"]].values.tolist() == [["b-third", one.details.id]]
    [read, *_] = read_exams(bundles, catalogue)
    assert read.exam is not None
    assert (read.exam.details.amends, read.exam.details.first) == ("a-second", one.details.id)


def test_a_server_is_asked_once_for_what_it_holds_of_a_newborn(
    examples: list[Exam], catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = examples[0]
    several = [
        first.model_copy(update={"details": first.details.model_copy(update={"id": f"again-{n}"})}) for n in range(3)
    ]
    asked: list[str] = []
    search = FhirClient.search

    def counted(self: FhirClient, kind: str, *rest: object, **more: object) -> object:
        asked.append(kind)
        return search(self, kind, *rest, **more)  # type: ignore[arg-type]

    with running(Store()) as url, FhirClient(url) as client:
        for exam in several:
            client.transaction(to_bundle(exam, catalogue))
        monkeypatch.setattr(FhirClient, "search", counted)
        every = list(fetch_all_exams(client, catalogue))
        newborn = first.newborn.identifiers[0]
        assert len(every) == len(fetch_exams_of(client, catalogue, newborn)) == 3
    assert asked.count("Observation") == 2  # once for each of the two ways
    assert [read.details.id for bundle in every for read in from_bundle(bundle, catalogue)] == [
        "again-0",
        "again-1",
        "again-2",
    ]


def test_newborns_of_one_number_who_contradict_each_other_are_told(examples: list[Exam], tmp_path: Path) -> None:
    """They share a row of the table of newborns; ``check`` says the same. What an amendment puts right is none."""

    def under(key: str, **facts: object) -> Exam:
        changed = {"identifiers": examples[0].newborn.identifiers, **facts}
        details = examples[0].details.model_copy(update={"id": key, "amends": None, "status": Status.FINAL})
        return Exam(
            exam=details,
            newborn=examples[0].newborn.model_copy(update=changed),
            findings=examples[0].findings[:2],
        )

    same = [under("one", sex=Sex.UNKNOWN), under("two", sex=Sex.MALE), under("three", sex=Sex.MALE)]
    (tmp_path / "well.ndjson").write_bytes(b"".join(dumps(loads(to_json(one))) + b"\n" for one in same))
    done = extract(tmp_path / "well.ndjson", "--out", tmp_path / "well", "--format", "csv")
    assert (done.exit_code, "contradict" in done.output) == (0, False), done.output
    other = [*same, under("four", sex=Sex.FEMALE)]
    (tmp_path / "mixed.ndjson").write_bytes(b"".join(dumps(loads(to_json(one))) + b"\n" for one in other))
    done = extract(tmp_path / "mixed.ndjson", "--out", tmp_path / "mixed", "--jobs", "1")
    assert done.exit_code == 0, done.output
    assert "newborns who differ in: sex" in done.output
    assert "4 exams extracted, 1 of a newborn who contradicts another exam of that number, 0 refused." in done.output
    lines = (tmp_path / "mixed.rejected" / "problems.ndjson").read_bytes().splitlines()
    [found] = map(json.loads, lines)
    assert found["exam"] == "four"
    assert [(one["rule"], one["severity"]) for one in found["problems"]] == [("newborns-differ", "warning")]
    assert "exams four and two" in found["problems"][0]["what"]
