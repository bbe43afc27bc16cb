"""Wrong capture files, one mistake each: every one is refused with its place and what would be right.

``index.csv`` names for each file the rule, a part of the place and a part of the remedy that must be told. The
files in ``right`` are what the wrong ones were made from. All of it is invented.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from adapter.catalogue import load_catalogue
from adapter.read import read_captures

HERE = Path(__file__).parent
CATALOGUE = load_catalogue()

with (HERE / "index.csv").open(encoding="utf-8", newline="") as index:
    CASES = [(row["file"], row["rule"], row["place"], row["remedy"]) for row in csv.DictReader(index)]


@pytest.mark.parametrize(("file", "rule", "place", "remedy"), CASES, ids=[case[0] for case in CASES])
def test_refused_with_place_and_remedy(file: str, rule: str, place: str, remedy: str) -> None:
    readings = list(read_captures(HERE / file, CATALOGUE, name=file))
    errors = [problem for reading in readings for problem in reading.errors]
    assert errors
    assert not all(reading.accepted for reading in readings)
    told = [str(problem) for problem in errors]
    matching = [p for p in errors if p.rule == rule and place in str(p).partition("\n")[0] and remedy in p.remedy]
    assert matching, told
    assert all(problem.file == file for problem in errors)


@pytest.mark.parametrize("file", ["right.json", "right.csv"])
def test_what_they_were_made_from_is_right(file: str) -> None:
    (reading,) = read_captures(HERE / "right" / file, CATALOGUE)
    assert reading.accepted
    assert not reading.problems


def test_the_index_names_every_file() -> None:
    here = {path.name for path in HERE.iterdir() if path.suffix in (".json", ".ndjson", ".csv", ".tsv")}
    assert here - {"index.csv"} == {case[0] for case in CASES}
    assert len(CASES) >= 100
