"""What parsing gave is kept for files as they are, and never taken for files as they were."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from adapter.catalogue import load_catalogue
from adapter.catalogue.files import mappings
from adapter.catalogue.kept import kept, unpacked


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Each time that something had to be made anew; bytecode is kept in a folder of the test's."""
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path / "bytecode"))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return []


def taken(path: Path, made: list[str]) -> str:
    def make() -> str:
        made.append(path.read_text())
        return made[-1]

    found: str = unpacked(kept("test", [(path.name, path)], make))
    return found


def test_it_is_made_once_for_what_the_files_are(tmp_path: Path, made: list[str]) -> None:
    path = tmp_path / "words.yaml"
    for text, times in (("a: 1", 1), ("a: 1", 1), ("a: 2", 2), ("a: 2", 2)):
        path.write_text(text)
        assert taken(path, made) == text
        assert len(made) == times
    renamed = path.rename(tmp_path / "other.yaml")
    assert taken(renamed, made) == "a: 2"
    assert len(made) == 3


def test_where_nothing_can_be_kept_it_is_made_each_time(
    tmp_path: Path, made: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "words.yaml"
    path.write_text("a: 1")
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert [taken(path, made) for _ in range(2)] == ["a: 1", "a: 1"]
    assert not (tmp_path / "bytecode").exists()
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    (tmp_path / "bytecode").write_text("a file where a folder should be")
    assert [taken(path, made) for _ in range(2)] == ["a: 1", "a: 1"]
    assert len(made) == 4


def test_what_is_torn_or_of_other_files_is_not_taken(tmp_path: Path, made: list[str]) -> None:
    path = tmp_path / "words.yaml"
    path.write_text("a: 1")
    taken(path, made)
    (place,) = (one for one in (tmp_path / "bytecode").rglob("*.test"))
    whole = place.read_bytes()
    for times, torn in enumerate((b"x" + whole[1:], whole[:-1], whole[:20], b""), start=2):
        place.write_bytes(torn)
        assert taken(path, made) == "a: 1"
        assert len(made) == times


def test_the_catalogue_that_was_kept_is_the_one_that_is_built() -> None:
    taken, built = load_catalogue(), load_catalogue(base=mappings())
    apart = {"units", "words", "places", "verified_by"}  # compared by what they give
    for name in built.__dataclass_fields__.keys() - apart:
        assert getattr(taken, name) == getattr(built, name), name
    assert {**vars(taken.words)} == {**vars(built.words)}
    assert taken.verified == built.verified
    for path in (("items", "murmur", "answers"), ("rules", next(iter(built.rules))), ("settings", "canonical")):
        assert taken.places.find(*path) == built.places.find(*path) is not None
