"""What is released tells no more than the policy allows: attacks on an extract's order, dates and small cells.

Sources: 45 CFR 164.514(b)(2)(i)(C), all elements of dates but the year; k-anonymity (Sweeney, 2002), whose rule that
every combination of quasi-identifiers is shared by at least k is counted here by pandas.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from adapter import validate_resource
from adapter.catalogue import Catalogue
from adapter.derive.every_use import every_exam
from adapter.exam import Exam, Finding, Gestation, Identifier, Newborn, Quantity
from adapter.fhir.json import loads
from adapter.read import to_json
from adapter.run import NotPossible, run
from adapter.run.extract import Extract
from adapter.write.deidentify import pseudonym_of_exam, read_key
from adapter.write.deidentify.attacks import attacks, in_order_of_pseudonyms
from adapter.write.deidentify.dates import RELATIVE

pytestmark = pytest.mark.usefixtures("unproved")
KEY = "an invented key for tests only, 32 bytes at least"
COUNT = 120
FIRST = datetime(2026, 1, 1, 6, tzinfo=UTC)
FORMS = ("tables", "ndjson", "omop")


def newborn(number: int, weeks: int = 40) -> Newborn:
    """Born one after the other, every 20 hours."""
    born = FIRST + timedelta(hours=20 * number)
    named = (Identifier(system="https://hospital.invalid/mrn", value=f"{number}"),)
    sex = "female" if number % 2 else "male"
    return Newborn(identifiers=named, sex=sex, birth_time=born, gestation=Gestation(weeks=weeks, days=1))


def exams_of(base: Exam, newborns: list[Newborn]) -> list[Exam]:
    found = []
    for number, one in enumerate(newborns):
        started = one.birth_time + timedelta(hours=5)
        details = {"id": f"exam-{number}", "started": started, "ended": None, "encounter": None, "kind": "shift"}
        findings = (
            Finding(item="cry", value="strong_lusty", observed_at=started + timedelta(minutes=4)),
            Finding(item="first_stool", value={"time": one.birth_time + timedelta(hours=3)}),
        )
        found.append(Exam(details=base.details.model_copy(update=details), newborn=one, findings=findings))
    return found


def written(folder: Path, exams: list[Exam]) -> Path:
    path = folder / "captures.ndjson"
    path.write_bytes(b"".join(json.dumps(json.loads(to_json(exam))).encode() + b"\n" for exam in exams))
    return path


def extracted(given: Path, out: Path, **options: Any) -> Path:
    work = Extract(FORMS, **{"policy": "safe-harbor", "key_env": "STUDY_KEY", **options})
    run(work, [given], out, jobs=0, most=options.pop("most", 90))
    return out


@pytest.fixture(autouse=True)
def key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STUDY_KEY", KEY)


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue) -> Path:
    folder = tmp_path_factory.mktemp("released")
    exams = exams_of(every_exam(catalogue)[0], [newborn(n) for n in range(COUNT)])
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STUDY_KEY", KEY)
        return extracted(written(folder, exams), folder / "out", rare="tell")


def lines(path: Path) -> list[dict[str, Any]]:
    return [loads(line) for line in path.read_bytes().splitlines()]


def test_the_order_tells_nothing_of_the_birth(released: Path) -> None:
    """All stands in the order of the exams' pseudonyms, and neighbours among these are in true order as often as not.

    Of 20,000 in a random order half are, with a standard deviation of sqrt((n + 1) / 12) / (n - 1) = 0.2 % (the
    ascents of a random permutation: Knuth, The Art of Computer Programming 3, 5.1.3); whose input was in order, an
    attacker knows.
    """
    pseudonyms = read_key(None, "STUDY_KEY")
    placed = sorted(range(20_000), key=lambda number: pseudonym_of_exam(f"exam-{number}", pseudonyms))
    ascending = sum(a < b for a, b in pairwise(placed)) / (len(placed) - 1)
    assert abs(ascending - 0.5) < 0.01
    exams = pd.read_csv(released / "exams.csv")
    assert set(exams["exam_id"]) == {pseudonym_of_exam(f"exam-{number}", pseudonyms) for number in range(COUNT)}
    exam_of = dict(zip(exams["newborn_id"], exams["exam_id"], strict=True))
    persons = pd.read_csv(released / "omop" / "person.csv").sort_values("person_id")
    rows = pd.read_csv(released / "omop" / "observation.csv").sort_values("observation_id")
    patient_of = dict(zip(persons["person_id"], persons["person_source_value"], strict=True))
    orders = {
        "exams": exams["newborn_id"],
        "newborns": pd.read_csv(released / "newborns.csv")["newborn_id"],
        "findings": pd.read_csv(released / "findings.csv")["newborn_id"].drop_duplicates(),
        "Patient": pd.Series([one["id"] for one in lines(released / "fhir" / "Patient.ndjson")]),
        "person": persons["person_source_value"],
        "observation": rows["person_id"].map(patient_of).drop_duplicates(),
    }
    for name, order in orders.items():
        names = order.map(exam_of).tolist()
        assert (len(names), names) == (COUNT, sorted(names)), name


def test_safe_harbor_writes_no_date_where_none_need_be(released: Path) -> None:
    """Neither a true one nor one made up; what the CDM requires is 1 January of the year of birth and after."""
    newborns = pd.read_csv(released / "newborns.csv")
    assert newborns["birth"].isna().all()
    assert set(newborns["birth_year"]) == {2026}
    exams = pd.read_csv(released / "exams.csv")
    assert exams["started"].isna().all()
    assert set(exams["age_hours"]) == {5.0}
    findings = pd.read_csv(released / "findings.csv")
    assert findings[["observed", "moment", "observed_offset_minutes"]].isna().all().all()
    assert {5.0, 5.0667} <= set(findings["age_hours"])
    assert set(findings["moment_age_hours"].dropna()) == {3.0}
    person = pd.read_csv(released / "omop" / "person.csv")
    assert person[["month_of_birth", "day_of_birth", "birth_datetime"]].isna().all().all()
    assert set(person["year_of_birth"]) == {2026}
    rows = pd.read_csv(released / "omop" / "observation.csv")
    assert rows["observation_datetime"].isna().all()
    for path in (*released.glob("*.csv"), *(released / "fhir").glob("*.ndjson")):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"20\d\d-\d\d-\d\d[T ]\d\d", text), path.name
    for path in (released / "fhir").glob("*.ndjson"):
        if path.name != "Device.ndjson":
            assert not re.search(r'"20\d\d-\d\d-\d\d"', path.read_text(encoding="utf-8")), path.name


def test_fhir_keeps_the_distance_from_birth(released: Path) -> None:
    patients = lines(released / "fhir" / "Patient.ndjson")
    assert {one["birthDate"] for one in patients} == {"2026"}
    seen = set()
    observations = lines(released / "fhir" / "Observation.ndjson")
    for one in observations:
        if "_effectiveDateTime" in one:
            (relative,) = one["_effectiveDateTime"]["extension"]
            parts = {part["url"]: part for part in relative["extension"]}
            assert relative["url"] == RELATIVE
            assert parts["target"]["valueReference"] == one["subject"]
            offset = parts["offset"]["valueDuration"]
            seen.add((offset["value"], offset["code"], parts["relationship"]["valueCode"]))
    assert {(300, "min", "after"), (304, "min", "after")} <= seen
    wrong = [p for one in observations[:40] + patients[:2] for p in validate_resource(one) if p.severity == "error"]
    assert wrong == []


def test_rare_newborns_are_left_out_until_k_holds(catalogue: Catalogue, tmp_path: Path) -> None:
    newborns = [newborn(n, weeks=24 if n in (3, 8) else 40) for n in range(30)]
    exams = exams_of(every_exam(catalogue)[0], newborns)
    again = exams[3].model_copy(update={"details": exams[3].details.model_copy(update={"id": "second"})})
    given = written(tmp_path, [*exams, again])
    out = extracted(given, tmp_path / "out")
    left = pd.read_csv(out / "newborns.csv")
    sizes = left.groupby(["birth_year", "sex", "gestation_weeks", "born_of"], dropna=False).size()
    assert sizes.min() >= 11
    assert len(left) == 28
    assert (len(pd.read_csv(out / "exams.csv")), len(lines(out / "fhir" / "Patient.ndjson"))) == (28, 28)
    assert len(pd.read_csv(out / "omop" / "person.csv")) == 28
    told = json.loads((out / "deidentification.json").read_text("utf-8"))
    assert (told["k_anonymity"]["newborns_left_out"], told["k_anonymity"]["k_reached"]) == (2, 14)
    assert told["done"]["exams"] == 28
    assert "24" not in pd.read_csv(out / "rare_combinations.csv", dtype=str)["gestation_weeks"].tolist()


def test_a_policy_may_refuse_what_is_rare(catalogue: Catalogue, tmp_path: Path) -> None:
    given = written(tmp_path, exams_of(every_exam(catalogue)[0], [newborn(n) for n in range(3)]))
    with pytest.raises(NotPossible, match="fewer than 11"):
        extracted(given, tmp_path / "out", rare="refuse")
    assert [path.name for path in tmp_path.iterdir()] == ["captures.ndjson"]


def test_keys_of_an_identified_extract_are_refused(catalogue: Catalogue, tmp_path: Path) -> None:
    given = written(tmp_path, exams_of(every_exam(catalogue)[0], [newborn(n) for n in range(2)]))
    run(Extract(("omop",)), [given], tmp_path / "identified", jobs=1)
    from adapter.write.omop import BadKeys

    with pytest.raises(BadKeys, match="identified"):
        extracted(given, tmp_path / "out", omop_keys=tmp_path / "identified" / "omop" / "keys.csv", rare="tell")


def test_the_page_counts_what_an_attacker_would(catalogue: Catalogue, tmp_path: Path) -> None:
    """Who is alone with what, counted once more by pandas; nothing of the page tells who they are."""
    base = every_exam(catalogue)[0]
    found = []
    for number, exam in enumerate(exams_of(base, [newborn(n, 39 + n % 2) for n in range(30)])):
        weight = Finding(item="birth_weight", value=Quantity(value=Decimal(3000 + 10 * (number // 4)), unit="g"))
        murmur = (Finding(item="cry", value="weak"),) * (number < 2)
        found.append(exam.model_copy(update={"findings": (weight, *murmur, *exam.findings[1:])}))
    out = extracted(written(tmp_path, found), tmp_path / "out", rare="tell")
    exams = pd.read_csv(out / "exams.csv")
    rows = {attack.know: attack for attack in attacks(out, 11)}
    weighed = exams.groupby(["sex", "gestation_weeks", "birth_weight"]).size()
    by_weight = rows["weight"]
    assert (by_weight.newborns, by_weight.alone) == (30, (weighed == 1).sum())
    assert by_weight.few == weighed[weighed < 11].sum()
    plain = exams.groupby(["sex", "gestation_weeks"]).size()
    assert rows["sex_weeks"].few == plain[plain < 11].sum()
    rare = rows["one"]
    assert (rare.newborns, rare.alone, rare.few) == (2, 0, 2)
    page = (out / "release.html").read_text()
    assert "Signature" in page
    assert "keyed digests" in page
    for told in ("mrn", "exam-1", "0001", *exams["newborn_id"]):
        assert told not in page


def test_the_page_tells_where_rows_are_not_in_the_order_of_pseudonyms(released: Path, tmp_path: Path) -> None:
    assert in_order_of_pseudonyms(released)
    lines_of = (released / "exams.csv").read_text().splitlines(keepends=True)
    (tmp_path / "exams.csv").write_text("".join([lines_of[0], *reversed(lines_of[1:])]))
    assert not in_order_of_pseudonyms(tmp_path)
