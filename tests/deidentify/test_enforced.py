"""k and l are enforced, by published examples, and what the policy rounds, bands or takes out is nowhere to be found.

Sources (tables from memory): the table of Sweeney, k-anonymity: a model for protecting privacy, Int. J. Uncertainty,
Fuzziness and Knowledge-Based Systems 10(5), 2002, that adheres to k = 2; the 4-anonymous and the 3-diverse inpatient
tables of Machanavajjhala, Kifer, Gehrke, Venkitasubramaniam, l-Diversity: Privacy Beyond k-Anonymity, ACM TKDD 1(1),
2007. The extracts are counted once more by pandas.
"""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from test_release import KEY, exams_of, newborn, written

from adapter.catalogue import Catalogue
from adapter.derive.every_use import every_exam
from adapter.exam import BirthOrder, Exam, Finding, Identifier, Mother, Quantity
from adapter.fhir.json import loads
from adapter.run import NotPossible, run
from adapter.run.extract import Extract
from adapter.write.deidentify import BadPolicy, Cells, Deidentifier, load_policy, read_key
from adapter.write.deidentify.attacks import attacks

pytestmark = pytest.mark.usefixtures("unproved")
SWEENEY = (
    ("Black", "1965", "male", "0214*", "short breath"),
    ("Black", "1965", "male", "0214*", "chest pain"),
    ("Black", "1965", "female", "0213*", "hypertension"),
    ("Black", "1965", "female", "0213*", "hypertension"),
    ("Black", "1964", "female", "0213*", "obesity"),
    ("Black", "1964", "female", "0213*", "chest pain"),
    ("White", "1964", "male", "0213*", "chest pain"),
    ("White", "1964", "male", "0213*", "obesity"),
    ("White", "1964", "male", "0213*", "short breath"),
    ("White", "1967", "male", "0213*", "chest pain"),
    ("White", "1967", "male", "0213*", "chest pain"),
)
FOUR_ANONYMOUS = (
    *(("130**", "<30", one) for one in ("heart disease", "heart disease", "viral infection", "viral infection")),
    *(("1485*", ">=40", one) for one in ("cancer", "heart disease", "viral infection", "viral infection")),
    *(("130**", "3*", "cancer") for _ in range(4)),
)
THREE_DIVERSE = (
    *(("1305*", "<=40", one) for one in ("heart disease", "viral infection", "cancer", "cancer")),
    *(("1485*", ">40", one) for one in ("cancer", "heart disease", "viral infection", "viral infection")),
    *(("1306*", "<=40", one) for one in ("heart disease", "viral infection", "cancer", "cancer")),
)


@pytest.mark.parametrize(
    ("table", "k", "least", "rare_at"),  # rare_at: how many rows fail k = 2 and this l
    [
        (SWEENEY, 2, 1, {1: 0, 2: 4, 3: 8}),
        (FOUR_ANONYMOUS, 4, 1, {1: 0, 2: 4, 3: 8, 4: 12}),
        (THREE_DIVERSE, 4, 3, {3: 0, 4: 12}),
    ],
)
def test_published_tables_have_the_k_and_l_that_they_are_known_for(
    table: tuple[tuple[str, ...], ...],
    k: int,
    least: int,
    rare_at: dict[int, int],
) -> None:
    for wanted, rare in rare_at.items():
        cells = Cells([f"q{n}" for n in range(len(table[0]) - 1)], 2, wanted, ["problem"])
        for number, (*quasi, problem) in enumerate(table):
            cells.see(f"t{number}", quasi, [(problem,)])
        assert (cells.smallest, cells.least_diverse) == (k, least)
        assert (cells.rare, len(list(cells.rare_newborns()))) == (rare, rare)


def test_what_tells_nothing_of_anybody_needs_no_difference() -> None:
    cells = Cells(["sex"], 2, 2, ["infection_risks"])
    for number, told in enumerate([(), (), ("hiv",), ("hiv",)]):
        cells.see(f"{number}", ["male" if number < 2 else "female"], [told])
    assert (cells.diversity, cells.rare) == ({("female",): 1}, 2)


def test_all_that_the_exams_of_one_newborn_say_is_its_combination() -> None:
    """A rare gestation in one exam makes its newborn rare, whichever exam is seen first, and leaves it so."""
    for order in (("40", "", "41"), ("41", "40", ""), ("", "41", "40")):
        cells = Cells(["sex", "gestation_weeks"], 2)
        for weeks in order:
            cells.see("corrected", ["female", weeks])
        for number in range(3):
            cells.see(f"{number}", ["female", "40"])
            cells.see(f"{number}", ["female", ""])
        assert cells.counts == {("female", "40"): 3, ("female", "40;41"): 1}
        assert list(cells.rare_newborns()) == ["corrected"]


@pytest.fixture(autouse=True)
def key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STUDY_KEY", KEY)


def policy(folder: Path, **changes: Any) -> str:
    content = load_policy("safe-harbor").model_dump(mode="json") | {"k": 3, "l": 1, "sensitive": []} | changes
    (folder / "policy.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
    return str(folder / "policy.yaml")


def extracted(folder: Path, exams: list[Exam], *forms: str, **changes: Any) -> Path:
    work = Extract(("tables", *forms), policy=policy(folder, **changes), key_env="STUDY_KEY")
    run(work, [written(folder, exams)], folder / "out", jobs=1)
    return folder / "out"


def weighed(catalogue: Catalogue) -> list[Exam]:
    """Nine newborns, two weights and two counts each, at odd times."""
    made = []
    for number, exam in enumerate(exams_of(every_exam(catalogue)[0], [newborn(n) for n in range(9)])):
        start = exam.newborn.birth_time + timedelta(hours=26, minutes=40)
        grams = {"birth_weight": 3127 + number, "weight": 2953 + number}
        findings = [Finding(item=k, value=Quantity(value=Decimal(v), unit="g")) for k, v in grams.items()]
        rates = ((61, 0), (47, 10))
        findings += [
            Finding(
                item="respiratory_rate",
                value=Quantity(value=Decimal(rate), unit="/min"),
                observed_at=start + timedelta(minutes=minutes),
            )
            for rate, minutes in rates
        ]
        details = exam.details.model_copy(update={"started": start})
        made.append(exam.model_copy(update={"details": details, "findings": tuple(findings)}))
    return made


def test_rounded_numbers_and_times_are_coarse_in_every_form(catalogue: Catalogue, tmp_path: Path) -> None:
    out = extracted(
        tmp_path, weighed(catalogue), "ndjson", round={"birth_weight": 50, "weight": 50}, hours=6, gestation="weeks"
    )
    exams, findings = pd.read_csv(out / "exams.csv"), pd.read_csv(out / "findings.csv")
    assert set(exams["birth_weight"]) == {3150}
    assert set(exams["weight"]) == {2950}
    assert set(exams["weight_change_percent"]) == {-6.3}  # of what stands there: 100 * (2950 - 3150) / 3150
    assert set(exams["age_hours"]) == {24.0}
    assert set(exams["respiratory_rate"]) == {47}  # the later of two within a step stands, and both are there
    assert len(findings[findings["item"] == "respiratory_rate"]) == 18
    assert exams["gestation_total_days"].isna().all()
    assert set(exams["gestation_weeks"]) == {40}
    text = "".join(path.read_text("utf-8") for path in (out / "fhir").glob("*.ndjson"))
    assert '"value":3150' in text
    assert not [number for number in (*range(3127, 3136), *range(2953, 2962), 281) if f'"value":{number}' in text]
    page = (out / "release.html").read_text("utf-8")
    assert "birth_weight to the nearest 50" in page
    assert "hours of life down to full 6 h" in page
    assert "Values of weight rounded" in page


def test_bands_stand_in_words_and_nothing_is_computed_of_them(catalogue: Catalogue, tmp_path: Path) -> None:
    out = extracted(
        tmp_path,
        weighed(catalogue),
        band={"birth_weight": 250},
        quasi_identifiers=["sex", "birth_weight_band"],
    )
    exams, findings = pd.read_csv(out / "exams.csv"), pd.read_csv(out / "findings.csv")
    assert exams["birth_weight"].isna().all()
    assert exams["weight_change_percent"].isna().all()
    assert set(exams["birth_weight_status"]) == {"in_words"}
    assert set(findings.loc[findings["item"] == "birth_weight", "in_words"]) == {"3000 to under 3250 g"}
    listed = pd.read_csv(out / "rare_combinations.csv")
    assert set(listed["birth_weight_band"]) == {"3000 to under 3250 g"}


def small_groups(catalogue: Catalogue) -> list[Exam]:
    """Of each sex ten at 40 weeks and five at weeks of their own; all girls at 40 weeks have the same risk."""
    newborns = [newborn(n, 40 if n < 20 else 30 + n % 5) for n in range(30)]
    made = []
    for exam in exams_of(every_exam(catalogue)[0], newborns):
        girl_at_term = exam.newborn.sex == "female" and exam.newborn.gestation.weeks == 40
        risk = (Finding(item="infection_risks", value="fever_in_labour"),) * girl_at_term
        made.append(exam.model_copy(update={"findings": (*exam.findings, *risk)}))
    return made


def counted(out: Path) -> dict[str, Any]:
    return loads((out / "deidentification.json").read_bytes())


def test_suppression_keeps_who_would_be_left_out(catalogue: Catalogue, tmp_path: Path) -> None:
    quasi = ["sex", "gestation_weeks"]
    sizes = {}
    for name, changes in {"without": {}, "with": {"suppress": ["gestation_weeks"]}}.items():
        folder = tmp_path / name
        folder.mkdir()
        out = extracted(folder, small_groups(catalogue), k=4, quasi_identifiers=quasi, **changes)
        groups = pd.read_csv(out / "newborns.csv").groupby(quasi, dropna=False).size()
        assert groups.min() >= 4
        sizes[name] = groups.sum()
        k = counted(out)["k_anonymity"]
        assert (k["newborns"], k["k_reached"], k["newborns_rare"]) == (groups.sum(), groups.min(), 0)
    assert sizes == {"without": 20, "with": 30}
    assert counted(tmp_path / "with" / "out")["done"]["newborns' exams without gestation_weeks"] == 10
    again = pd.read_csv(tmp_path / "with" / "out" / "exams.csv")
    assert again["gestation_weeks"].isna().sum() == 10
    assert (again["gestational_age_at_birth"].isna() == again["gestation_weeks"].isna()).all()


def test_who_are_all_alike_in_what_is_sensitive_are_left_out_or_refused(catalogue: Catalogue, tmp_path: Path) -> None:
    changes = {"quasi_identifiers": ["sex", "gestation_weeks"], "l": 2, "sensitive": ["infection_risks"]}
    out = extracted(tmp_path, small_groups(catalogue)[:20], **changes)
    assert set(pd.read_csv(out / "newborns.csv")["sex"]) == {"male"}  # of them none has any: nothing is learned
    assert counted(out)["l_diversity"] == {"sensitive": ["infection_risks"], "l_wanted": 2, "l_reached": None}
    assert "2 and none has" in (out / "release.html").read_text("utf-8")
    (tmp_path / "b").mkdir()
    with pytest.raises(NotPossible, match="10 newborns are rare"):
        extracted(tmp_path / "b", small_groups(catalogue)[:20], rare="refuse", **changes)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"band": {"shoe_size": 10}}, "no item shoe_size"),
        ({"round": {"cry": 10}}, "cry is none"),
        ({"round": {"weight": 0}}, "above 0"),
        ({"round": {"weight": 5}, "band": {"weight": 100}}, "not both"),
        ({"suppress": ["sex"]}, "can be taken out sex"),
        ({"suppress": ["birth_order"]}, "no quasi-identifier of this policy"),
        ({"l": 2}, "l over 1 needs items"),
        ({"l": 2, "sensitive": ["weight"]}, "weight has none"),
    ],
)
def test_a_policy_that_cannot_be_is_told(
    changes: dict[str, Any], word: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    with pytest.raises(BadPolicy, match=word):
        Deidentifier(load_policy(policy(tmp_path, **changes)), read_key(None, "STUDY_KEY"), catalogue)


def test_with_a_multiple_birth_goes_the_mother_who_links_its_children(catalogue: Catalogue, tmp_path: Path) -> None:
    mother = Mother(identifiers=(Identifier(system="https://hospital.invalid/mrn", value="m"),))
    exams = weighed(catalogue)[::2][:4]
    for place in (0, 1):
        twin = exams[place].newborn.model_copy(
            update={"mother": mother, "birth_order": BirthOrder(order=place + 1, of=2)}
        )
        exams[place] = exams[place].model_copy(update={"newborn": twin})
    out = extracted(tmp_path, exams, quasi_identifiers=["sex", "born_of"], suppress=["born_of"], mother="pseudonym")
    newborns = pd.read_csv(out / "newborns.csv")
    assert len(newborns) == 4
    assert newborns[["mother_id", "born_of", "birth_order"]].isna().all().all()


def test_the_page_attacks_by_the_first_weight_where_that_of_birth_is_banded(
    catalogue: Catalogue, tmp_path: Path
) -> None:
    out = extracted(tmp_path, weighed(catalogue), band={"birth_weight": 500})
    [found] = [one for one in attacks(out, 3) if one.know == "weight"]
    assert (found.newborns, found.alone) == (9, 9)
