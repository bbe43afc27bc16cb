"""What is needed at run time: bounded, locked by hash, each with its licence (PEP 508, PEP 639; pip's hashes)."""

from __future__ import annotations

import csv
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
OPTIONAL = PROJECT["optional-dependencies"]
RUNTIME = [*PROJECT["dependencies"], *OPTIONAL["oauth"], *OPTIONAL["pdf"], *OPTIONAL["parquet"]]


def name(requirement: str) -> str:
    return re.sub(r"[-_.]+", "-", re.match(r"[\w.-]+", requirement)[0]).lower()  # type: ignore[index]


def locked(file: str) -> dict[str, str]:
    """Each entry of a lock file by name, with its hashes."""
    text = (ROOT / ".ci" / file).read_text()
    return {name(entry): entry for entry in re.split(r"\n(?=\S)", text) if entry.strip()}


def test_a_new_major_version_does_not_come_by_itself() -> None:
    unbounded = [one for one in RUNTIME if "<" not in one]
    assert [name(one) for one in unbounded] == ["pyarrow"]  # pyproject.toml says why


@pytest.mark.parametrize(
    ("file", "wanted"),
    [("lock.txt", RUNTIME), ("lock-ci.txt", [*RUNTIME, *OPTIONAL["test"][1:], *OPTIONAL["lint"]])],
)
def test_every_package_is_locked_by_hash(file: str, wanted: list[str]) -> None:
    found = locked(file)
    assert {name(one) for one in wanted} <= set(found)
    for entry in found.values():
        assert re.match(r"[\w.-]+==\S+", entry), entry
        assert "--hash=sha256:" in entry, entry
    assert "://" not in "".join(found.values())


def test_what_runs_is_the_same_in_both() -> None:
    run, ci = locked("lock.txt"), locked("lock-ci.txt")
    assert {key: entry.split()[0] for key, entry in run.items()}.items() <= {
        key: entry.split()[0] for key, entry in ci.items()
    }.items()


def test_each_has_its_licence() -> None:
    with (ROOT / ".ci" / "licences.csv").open(newline="") as file:
        listed = {row["package"]: row["licence"] for row in csv.DictReader(file)}
    needed = {key for key, entry in locked("lock.txt").items() if "sys_platform" not in entry.split("\\")[0]}
    assert needed <= set(listed)
    assert "not stated" not in listed.values()


def test_the_project_states_its_own() -> None:
    assert PROJECT["license"] == "Apache-2.0"
    assert "https://www.apache.org/licenses/LICENSE-2.0" in (ROOT / "README.md").read_text()
