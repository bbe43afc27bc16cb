"""De-identified exams: nothing that identifies comes out, all that is measured and every interval does.

Sources: 45 CFR 164.514(b)(2) (safe harbor: eighteen kinds of identifiers, dates but for the year) and 164.514(e)
(limited data set); RFC 4231, test vectors of HMAC-SHA-256; k-anonymity (Sweeney, 2002), counted by pandas.
"""

from __future__ import annotations

import hmac
import json
from collections import Counter
from hashlib import sha256
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import age_hours, made_at
from adapter.exam import At, Exam
from adapter.fhir import to_bundle
from adapter.read import check_exam
from adapter.read.bundle import from_bundle
from adapter.write.deidentify import (
    WITHHELD,
    BadPolicy,
    BadPseudonymKey,
    DeidentificationPolicy,
    Deidentifier,
    OtherFamily,
    Pseudonyms,
    deidentify,
    load_policy,
    read_key,
    shipped_policies,
)
from adapter.write.tables import TABLES
from drawn import drawn
from strategies import exams
from tests.deidentify.identified_exams import exam_of, family, identifying, twin
from tests.extracts import FORMS, written_at_once

CATALOGUE = load_catalogue()
KEY = Pseudonyms(bytes(range(40)))
POLICIES = {name: load_policy(name) for name in shipped_policies()}


def done(exam: Exam, policy: DeidentificationPolicy | str, key: Pseudonyms = KEY) -> Exam:
    return deidentify(exam, load_policy(policy) if isinstance(policy, str) else policy, key, CATALOGUE)[0]


def written(
    found: list[Exam], policy: DeidentificationPolicy, folder: Path, encoding: str, forms: tuple[str, ...] = FORMS
) -> Deidentifier:
    """Everything that an extract can hold, notes and all, of however few."""
    deidentifier = Deidentifier(policy.model_copy(update={"rare": "tell"}), KEY, CATALOGUE)
    written_at_once(found, CATALOGUE, folder, forms, encoding, deidentifier=deidentifier, notes=True)
    return deidentifier


def test_two_policies_are_shipped() -> None:
    assert set(POLICIES) == {"safe-harbor", "limited-data-set"}
    assert "164.514(b)(2)" in POLICIES["safe-harbor"].source
    assert "164.514(e)" in POLICIES["limited-data-set"].source


@pytest.mark.parametrize("encoding", ["csv", "parquet"])
@pytest.mark.parametrize("name", POLICIES)
def test_nothing_that_went_in_comes_out(name: str, encoding: str, tmp_path: Path) -> None:
    """Every file, byte by byte, and every text of a Parquet file, for everything that identifies."""
    written(family(), POLICIES[name], tmp_path, encoding)
    secrets = {text for text in identifying(family()) if text}
    assert len(secrets) > 60
    out = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert len(out) > 20
    for path in tmp_path.rglob("*.parquet"):  # compressed: its bytes would hide what it holds
        out[path] = pd.read_parquet(path).astype(str).to_csv().encode()
    for path, content in out.items():
        leaked = [text for text in secrets if text.encode() in content]
        assert not leaked, (path.name, leaked)
        assert bytes(range(40)) not in content
        assert bytes(range(40)).hex().encode() not in content


def test_the_search_would_find_a_leak(tmp_path: Path) -> None:
    """The same search over an extract that was not de-identified finds all of it."""
    written_at_once(family()[1:], CATALOGUE, tmp_path, notes=True)
    content = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    secrets = set(identifying(family()[1:]))
    compact = {text for text in secrets if text.isdigit() and len(text) == 8}  # a form of dates that we never write
    found = {text for text in secrets - compact if text.encode() in content}
    missed = secrets - compact - found
    assert not {text for text in missed if "+02:00" not in text and "\n" not in text}


@pytest.mark.parametrize("name", POLICIES)
@given(exam=exams(CATALOGUE))
@drawn(40)
def test_what_is_measured_and_every_interval_is_kept(name: str, exam: Exam) -> None:
    made = done(exam, POLICIES[name])
    assert age_hours(made, made.details.started) == age_hours(exam, exam.details.started)
    assert made.newborn.gestation == exam.newborn.gestation
    assert (made.newborn.sex, made.details.kind, made.details.status) == (
        exam.newborn.sex,
        exam.details.kind,
        exam.details.status,
    )
    assert len(made.findings) == len(exam.findings)
    for before, after in zip(exam.findings, made.findings, strict=True):
        item = CATALOGUE.items[before.item]
        assert age_hours(made, made_at(after, item, made)) == age_hours(exam, made_at(before, item, exam))
        assert (before.item, before.side, before.site, before.state, before.not_examined, before.urgency) == (
            after.item,
            after.side,
            after.site,
            after.state,
            after.not_examined,
            after.urgency,
        )
        if not isinstance(before.value, At):
            assert after.value == before.value
        assert after.text == (WITHHELD if before.text else None)
        assert after.note is None
    if exam.details.ended is not None:
        assert made.details.ended is not None
        assert made.details.ended - made.details.started == exam.details.ended - exam.details.started


@pytest.mark.parametrize("name", POLICIES)
@given(exam=exams(CATALOGUE))
@drawn(25)
def test_the_result_is_an_exam_like_any_other(name: str, exam: Exam) -> None:
    """It passes the checks that the exam passed, goes to FHIR and back, and is the same the second time."""
    made = done(exam, POLICIES[name])
    assert made == done(exam, POLICIES[name])
    worse = [p for p in check_exam(made, CATALOGUE) if p.severity == "error"]
    assert not worse or [p for p in check_exam(exam, CATALOGUE) if p.severity == "error"], worse
    assert from_bundle(to_bundle(made, CATALOGUE), CATALOGUE) == [made]


def test_safe_harbor_keeps_of_dates_the_year_alone() -> None:
    for exam in family():
        made = done(exam, "safe-harbor")
        assert made.newborn.birth_time.isoformat() == "2026-01-01T00:00:00+00:00"
        assert made.newborn.name is None
        assert made.details.place is made.details.encounter is None
        assert {(e.name, e.identifier) for e in made.details.examiners} == {("[name withheld]", None)}
        assert [e.role for e in made.details.examiners] == ["nurse", "student"]
    last = exam_of(
        twin(1).model_copy(update={"birth_time": family()[0].newborn.birth_time.replace(month=12, day=31)}), "x", 60
    )
    assert done(last, "safe-harbor").newborn.birth_time.year == 2026  # though the exam was in 2027


def test_dates_of_a_family_move_together_and_of_others_otherwise() -> None:
    before, after = family(), [done(exam, "limited-data-set") for exam in family()]
    shifts = {b.newborn.birth_time - a.newborn.birth_time for b, a in zip(before, after, strict=True)}
    (shift,) = shifts
    assert shift.seconds == 0
    assert 1 <= abs(shift.days) <= 364
    assert (
        after[3].newborn.birth_time - after[0].newborn.birth_time
        == before[3].newborn.birth_time - before[0].newborn.birth_time
    )
    assert after[0].newborn.mother == after[3].newborn.mother
    assert {a.newborn.birth_time.utcoffset() for a in after} == {
        done(before[0], "safe-harbor").newborn.birth_time.utcoffset()
    }
    moved = set()
    for number in range(200):
        mother = twin(1).mother
        assert mother is not None
        other = mother.identifiers[0].model_copy(update={"value": f"M{number}"})
        newborn = twin(1).model_copy(update={"mother": mother.model_copy(update={"identifiers": (other,)})})
        exam = exam_of(newborn, "x", 1)
        moved.add((done(exam, "limited-data-set").newborn.birth_time - exam.newborn.birth_time).days)
    assert len(moved) > 100
    assert 0 not in moved
    assert min(moved) < 0 < max(moved)


def test_pseudonyms_link_what_belongs_together_and_need_the_key() -> None:
    one, amended, two, twin_ = (done(exam, "limited-data-set") for exam in family())
    assert one.newborn.identifiers == two.newborn.identifiers != twin_.newborn.identifiers
    assert len(one.newborn.identifiers) == 1
    assert amended.details.amends == one.details.id != amended.details.id
    assert one.details.examiners[0] == two.details.examiners[0] != one.details.examiners[1]
    other = done(family()[0], "limited-data-set", Pseudonyms(bytes(range(1, 41))))
    assert other.newborn.identifiers != one.newborn.identifiers
    assert other.details.id != one.details.id
    assert one.newborn.mother is not None
    assert one.newborn.mother.identifiers[0].value != one.newborn.identifiers[0].value


def test_pseudonyms_are_hmac_sha_256() -> None:
    """RFC 4231, section 4.2: the vector holds for the library's hmac, which is what the pseudonyms are made of."""
    vector = hmac.new(b"\x0b" * 20, b"Hi There", sha256).hexdigest()
    assert vector == "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"
    wanted = hmac.new(bytes(range(40)), b"newborn\0mrn|1", sha256).hexdigest()[:32]
    assert KEY.name("newborn", "mrn|1") == wanted
    assert KEY.name("mother", "mrn|1") != wanted


def test_a_newborn_whose_mother_changes_is_refused() -> None:
    deidentifier = Deidentifier(POLICIES["limited-data-set"], KEY, CATALOGUE)
    for exam in (exam_of(twin(1), "one", 20), exam_of(twin(2, mother=False), "three", 40)):
        deidentifier.admit(deidentifier.made(exam)[1])
    other = exam_of(twin(1, mother=False), "two", 40)
    with pytest.raises(OtherFamily):
        deidentifier.admit(deidentifier.made(other)[1])
    dateless = Deidentifier(POLICIES["safe-harbor"], KEY, CATALOGUE)
    for exam in (exam_of(twin(1), "one", 20), other):
        dateless.admit(dateless.made(exam)[1])


def test_free_text_is_kept_by_choice() -> None:
    policy = POLICIES["safe-harbor"].model_copy(update={"free_text": "keep"})
    exam = family()[1]
    made = done(exam, policy)
    assert [f.text for f in made.findings] == [f.text for f in exam.findings]
    assert [f.note for f in made.findings] == [f.note for f in exam.findings]
    assert made.details.reason == exam.details.reason
    assert made.newborn.name is None


def test_the_log_counts_and_holds_no_value(tmp_path: Path) -> None:
    deidentifier = written(family(), POLICIES["safe-harbor"], tmp_path, "csv")
    log = json.loads((tmp_path / "deidentification.json").read_text(encoding="utf-8"))
    done_ = log["done"]
    assert done_["exams"] == 4
    assert done_["texts withheld"] == 4 * 2 + 1  # two findings in words each, and the reason of the amendment
    assert done_["notes left out"] == 4 * 2
    assert done_["names left out"] == 4 * 4
    assert done_["places left out"] == done_["encounters left out"] == 4
    assert done_ == {name: count for name, count in sorted(deidentifier.log.items()) if count}
    assert all(isinstance(count, int) for count in done_.values())
    assert log["policy"]["id"] == "safe-harbor"


QUASI = ("sex", "gestation_weeks", "born_of", "birth_year", "birth_weight_band")


def test_k_is_what_pandas_counts(every: list[Exam], tmp_path: Path) -> None:
    policy = POLICIES["safe-harbor"].model_copy(update={"quasi_identifiers": QUASI[:4], "k": 3})
    found = family() + every
    deidentifier = written(found, policy, tmp_path, "csv", ("tables",))
    newborns = pd.read_csv(tmp_path / "newborns.csv")
    sizes = newborns.groupby(list(QUASI[:4]), dropna=False).size()
    assert deidentifier.cells.smallest == sizes.min()
    assert deidentifier.cells.rare == sizes[sizes < 3].sum()
    log = json.loads((tmp_path / "deidentification.json").read_text(encoding="utf-8"))["k_anonymity"]
    assert (log["k_reached"], log["newborns_rare"], log["newborns"]) == (
        sizes.min(),
        sizes[sizes < 3].sum(),
        len(newborns),
    )
    listed = pd.read_csv(tmp_path / "rare_combinations.csv")
    assert listed["newborns"].tolist() == sorted(sizes.tolist())
    assert (listed["rare"] == "yes").sum() == (sizes < 3).sum()
    theirs = Counter((str(sex), weeks) for (sex, weeks, *_), n in sizes.items() for _ in range(n) if weeks == weeks)
    ours = Counter(
        (row.sex, row.gestation_weeks)
        for row in listed.itertuples()
        for _ in range(row.newborns)
        if row.gestation_weeks == row.gestation_weeks
    )
    assert ours == theirs


def test_weight_bands(tmp_path: Path) -> None:
    from adapter.write.deidentify.quasi import QUASI_IDENTIFIERS

    exam = family()[0]
    assert QUASI_IDENTIFIERS["birth_weight_band"](exam, CATALOGUE) == ""
    weight = exam.findings[1].model_copy(update={"item": "birth_weight"})
    known = exam.model_copy(update={"findings": (weight,)})
    assert QUASI_IDENTIFIERS["birth_weight_band"](known, CATALOGUE) == "2000 to under 2500 g"


@pytest.mark.parametrize(
    ("key", "word"),
    [(b"", "shorter"), (b"a" * 31, "shorter"), (b"ab" * 20, "repeats"), (b"\n" * 40, "shorter")],
)
def test_a_poor_key_is_refused(key: bytes, word: str, tmp_path: Path) -> None:
    (tmp_path / "key").write_bytes(key)
    with pytest.raises(BadPseudonymKey, match=word):
        read_key(tmp_path / "key")


def test_keys_come_from_a_file_or_the_environment_and_are_never_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = sha256(b"invented").hexdigest()
    (tmp_path / "key").write_text(f"{text}\n", encoding="ascii")
    monkeypatch.setenv("STUDY_KEY", text)
    one, two = read_key(tmp_path / "key"), read_key(None, "STUDY_KEY")
    assert one.name("newborn", "x") == two.name("newborn", "x")
    assert text not in repr(one) + str(one)
    for wrong in ((None, None), (tmp_path / "key", "STUDY_KEY"), (tmp_path / "none", None), (None, "NO_SUCH")):
        with pytest.raises(BadPseudonymKey) as told:
            read_key(*wrong)
        assert text not in str(told.value)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ("dates: year", "shift_days"),
        ("k: 11", "k"),
        ("free_text: drop", "free_text"),
        ("policy: 1", "policy"),
        ("quasi_identifiers: [birth_year, sex, gestation_weeks, born_of]", "one of birth_year"),
        ("label: Identifiers", "YAML"),
    ],
)
def test_a_wrong_policy_is_told(change: str, word: str, tmp_path: Path) -> None:
    shipped = (Path(__file__).parents[2] / "mappings/deidentification/safe-harbor.yaml").read_text(encoding="utf-8")
    wrong = {
        "dates: year": "dates: shift",
        "k: 11": "k: 1",
        "free_text: drop": "free_text: maybe",
        "policy: 1": "policy: 2",
        "quasi_identifiers: [birth_year, sex, gestation_weeks, born_of]": "quasi_identifiers: [shoe_size]",
        "label: Identifiers": "label: [Identifiers",
    }[change]
    assert change in shipped
    (tmp_path / "p.yaml").write_text(shipped.replace(change, wrong), encoding="utf-8")
    with pytest.raises(BadPolicy, match=word):
        load_policy(str(tmp_path / "p.yaml"))
    with pytest.raises(BadPolicy, match="safe-harbor"):
        load_policy("no-such-policy")


def test_hours_of_life_are_the_same_in_every_table(catalogue: Catalogue) -> None:
    names = [column.name for column in TABLES["findings"].columns(catalogue)]
    hours, moment = names.index("age_hours"), names.index("moment_age_hours")
    for exam in family():
        before = [(row[hours], row[moment]) for row in TABLES["findings"].rows(exam, catalogue)]
        for policy in POLICIES:
            after = [(row[hours], row[moment]) for row in TABLES["findings"].rows(done(exam, policy), catalogue)]
            assert after == before
