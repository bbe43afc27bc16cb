"""Growth references for tests, written as a site would supply them.

The numbers are check values, as published: INTERGROWTH-21st newborn standard (Villar, Lancet 2014;384:857), weight
and head at whole weeks, 3rd, 10th, 50th, 90th, 97th centile; Fenton and Kim, BMC Pediatr 2013;13:59, weight at 40+0,
10th, 50th, 90th; WHO Child Growth Standards 2006, day 0, L, M, S.
"""

from __future__ import annotations

from pathlib import Path

from adapter.catalogue import Catalogue, load_catalogue

# weeks: girls' weight kg, boys' weight kg, girls' head cm, boys' head cm
INTERGROWTH = {
    34: (
        *("1.47 1.68 2.13 2.64 2.90", "1.45 1.71 2.22 2.79 3.08"),
        *("28.6 29.4 31.1 32.8 33.7", "28.9 29.8 31.5 33.2 34.1"),
    ),
    36: (
        *("1.92 2.14 2.60 3.12 3.39", "1.93 2.18 2.69 3.25 3.54"),
        *("29.9 30.6 32.1 33.7 34.6", "30.2 30.9 32.5 34.2 35.0"),
    ),
    37: (
        *("2.11 2.33 2.80 3.32 3.60", "2.13 2.38 2.89 3.45 3.74"),
        *("30.4 31.1 32.6 34.2 34.9", "30.7 31.5 33.0 34.6 35.4"),
    ),
    38: (
        *("2.28 2.50 2.97 3.51 3.78", "2.32 2.57 3.07 3.63 3.92"),
        *("30.9 31.6 33.0 34.5 35.3", "31.2 32.0 33.5 35.0 35.8"),
    ),
    39: (
        *("2.42 2.65 3.13 3.66 3.94", "2.49 2.73 3.24 3.79 4.08"),
        *("31.3 32.0 33.4 34.9 35.6", "31.7 32.4 33.9 35.4 36.2"),
    ),
    40: (
        *("2.55 2.78 3.26 3.80 4.08", "2.63 2.88 3.38 3.94 4.22"),
        *("31.7 32.4 33.8 35.2 35.9", "32.2 32.9 34.3 35.8 36.6"),
    ),
    41: (
        *("2.65 2.89 3.37 3.92 4.20", "2.76 3.01 3.51 4.06 4.35"),
        *("32.1 32.7 34.1 35.5 36.2", "32.6 33.3 34.7 36.2 36.9"),
    ),
    42: (
        *("2.74 2.98 3.46 4.01 4.30", "2.88 3.12 3.62 4.17 4.46"),
        *("32.4 33.1 34.4 35.7 36.4", "33.0 33.7 35.1 36.5 37.2"),
    ),
}
FENTON = {"female": "2822 3415 4109", "male": "2989 3568 4194"}
WHO = {
    ("weight", "female"): ("0.3809", "3232.2", "0.14171"),
    ("weight", "male"): ("0.3487", "3346.4", "0.14602"),
    ("length", "female"): ("1", "49.1477", "0.0379"),
    ("length", "male"): ("1", "49.8842", "0.03795"),
    ("head", "female"): ("1", "33.8787", "0.03496"),
    ("head", "male"): ("1", "34.4618", "0.03686"),
}


def intergrowth_csv() -> str:
    rows = ["measure,sex,age,c3,c10,c50,c90,c97"]
    for week, columns in INTERGROWTH.items():
        for (measure, sex), values in zip(
            (("weight", "female"), ("weight", "male"), ("head", "female"), ("head", "male")), columns, strict=True
        ):
            numbers = [f"{round(float(v) * 1000)}" if measure == "weight" else v for v in values.split()]
            rows.append(f"{measure},{sex},{week},{','.join(numbers)}")
    return "\n".join(rows)


def fenton_csv() -> str:
    return "\n".join(
        ["measure,sex,age,c10,c50,c90"]
        + [f"weight,{sex},280,{','.join(values.split())}" for sex, values in FENTON.items()]
    )


def who_csv() -> str:
    """Day 0 knows no gestation: the same row for every day of term, as a site might choose to write it."""
    rows = ["measure,sex,age,l,m,s"]
    rows += [f"{m},{sex},{day},{','.join(lms)}" for (m, sex), lms in WHO.items() for day in range(259, 294)]
    return "\n".join(rows)


def site_with(folder: Path, name: str, csv: str, ages: str = "weeks", between: str = "straight-line") -> Catalogue:
    """A site's folder with one growth reference that it has chosen, loaded."""
    growth = folder / "growth"
    growth.mkdir(parents=True, exist_ok=True)
    (growth / f"{name}.csv").write_text(csv, encoding="utf-8")
    (growth / f"{name}.yaml").write_text(
        f"id: {name}\nlabel: Table {name}\nversion: test\nsource: see growth_tables.py\nlicence: for tests only\n"
        f"ages: {ages}\nbetween: {between}\nwithin_hours: 24\n",
        encoding="utf-8",
    )
    (folder / "site.yaml").write_text(f"growth_reference: {name}\n", encoding="utf-8")
    return load_catalogue(folder)
