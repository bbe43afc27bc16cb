"""A site's folder whose files are not what they should be: each told at its file and line; none is an internal fault.

What YAML and file systems allow: common practice, and YAML 1.2.2 (sections 5.1 character set, 7.4 flow nodes).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import CatalogueError, load_catalogue
from adapter.catalogue.files import MOST
from adapter.problems import Problem

ENTRIES = "- {id: crying, label: Crying}\n"
CODES = "system,code,display,kind,status,global_patient_set,evidence,seen,dimension\n"

#: name of the case: files, then file, line, what is said, what would be right, of the first problem
CASES: dict[str, tuple[dict[str, str | bytes], tuple[str, int | None, str, str]]] = {
    "a list of packs": ({"site.yaml": "paper: a4\nbuilds_on: [us-core]\n"}, ("site.yaml", 2, "no pack", "us-core")),
    "a pack with settings": ({"site.yaml": "builds_on: {ipa: 1}\n"}, ("site.yaml", 1, "no pack", "ipa")),
    "an entry that is a word": (
        {"reasons.yaml": f"{ENTRIES}- crying\n"}, ("reasons.yaml", 2, "no mapping", "{id: ..}"),
    ),
    "an entry that is nothing": ({"rules.yaml": "#\n-\n"}, ("rules.yaml", 2, "no mapping", "{id: ..}")),
    "an entry that is a list": ({"kinds.yaml": "- [a]\n"}, ("kinds.yaml", 1, "no mapping", "{id: ..}")),
    "v2 as a list": ({"v2.yaml": "- a\n"}, ("v2.yaml", 1, "not a mapping", "mappings/v2.yaml")),
    "v2 as a word": ({"v2.yaml": "a\n"}, ("v2.yaml", 1, "not a mapping", "mappings/v2.yaml")),
    "a growth table as a list": ({"growth/g.yaml": "- a\n"}, ("growth/g.yaml", 1, "not a mapping", "mapping")),
    "words as a list": ({"words/de.yaml": "- a\n"}, ("words/de.yaml", 1, "not a mapping", "mapping")),
    "labels as a list": ({"labels/de.yaml": "\n- a\n"}, ("labels/de.yaml", 1, "not a mapping", "mapping")),
    "a mapping for a list": ({"rules.yaml": "a: b\n"}, ("rules.yaml", 1, "not a list", "dash")),
    "a region that is a list": ({"regions/x.yaml": "- a\n"}, ("regions/x.yaml", 1, "names no region", "region")),
    "settings as a list": ({"site.yaml": "- a\n"}, ("site.yaml", 1, "not a mapping", "settings")),
    "a policy that is nothing": ({"site.yaml": "paper: a4\npolicy:\n"}, ("site.yaml", 2, "is no mapping", "policy")),
    "a version that is a number": ({"site.yaml": "version: 2026.10\n"}, ("site.yaml", 1, "is no text", "quotes")),
    "a form for a list of forms": ({"site.yaml": "formats: v2\n"}, ("site.yaml", 1, "is no list", "formats: [..]")),
    "days as a word": ({"site.yaml": "proof: {days: 0x190}\n"}, ("site.yaml", 1, "is no whole number", "days")),
    "a key of another program": (
        {"site.yaml": "lang: de\n"}, ("site.yaml", 1, "there is no 'lang' here", "mappings/"),
    ),
    "no such language": (
        {"site.yaml": "paper: a4\nlanguage: no\n"}, ("site.yaml", 2, "no labels/no.yaml", "that file"),
    ),
    "UTF-16": ({"site.yaml": "language: de\n".encode("utf-16")}, ("site.yaml", 1, "not UTF-8", "UTF-8")),
    "Latin-1": (
        {"site.yaml": "paper: a4\npolicy: {name: Ñandú}\n".encode("latin-1")}, ("site.yaml", 2, "not UTF-8", "UTF-8"),
    ),
    "a control character": ({"site.yaml": "paper: a4\nlanguage: \x00de\n"}, ("site.yaml", 2, "U+0000", "without it")),
    "codes in Latin-1": (
        {"codes.csv": f"{CODES}loinc,1,ñ".encode("latin-1")}, ("codes.csv", 2, "not UTF-8", "UTF-8"),
    ),
    "chosen codes in Latin-1": (
        {"chosen_codes.csv": "\n\nñ".encode("latin-1")}, ("chosen_codes.csv", 3, "not UTF-8", "fit"),
    ),
    "one list in two files": (
        {"reasons.yaml": ENTRIES, "reasons.yml": ENTRIES}, ("reasons.yml", None, "reasons.yaml", "one file"),
    ),
    "settings in two files": (
        {"settings.yaml": "paper: a4\n", "site.yaml": "paper: letter\n"},
        ("site.yaml", None, "settings.yaml", "one file"),
    ),
    "a name in capitals": ({"Site.yaml": "language: de\n"}, ("Site.yaml", None, "is not read", "site.yaml")),
    "a folder in capitals": ({"Labels/de.yaml": "language: de\n"}, ("Labels", None, "is not read", "labels")),
    "codes in capitals": ({"codes.CSV": CODES}, ("codes.CSV", None, "is not read", "codes.csv")),
    "a text editor's ending": (
        {"site.yaml.txt": "language: de\n"}, ("site.yaml.txt", None, "is not read", "site.yaml"),
    ),
    "JSON": ({"site.json": "{}"}, ("site.json", None, "is not read", "site.yaml")),
    "a folder for a file": ({"site.yaml/a.txt": "a"}, ("site.yaml", None, "is a folder", "a file")),
    "a file for a folder": ({"labels": "a"}, ("labels", None, "is a file", "a folder")),
    "a word with a slip": ({"reson.yaml": "[]"}, ("reson.yaml", None, "not a file the catalogue knows", "reasons")),
    "a file without end": ({"site.yaml": "#" * (MOST + 1)}, ("site.yaml", None, "longer than", "MB")),
}  # fmt: skip


def problems(folder: Path) -> list[Problem]:
    """What is wrong with a folder; nothing where it loads."""
    try:
        load_catalogue(folder)
    except CatalogueError as error:
        return list(error.problems)
    return []


@pytest.mark.parametrize("name", CASES)
def test_each_is_told_where_it_stands(name: str, tmp_path: Path) -> None:
    files, (file, line, what, remedy) = CASES[name]
    for place, content in files.items():
        path = tmp_path / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    first = problems(tmp_path)[0]
    assert (first.file, first.line) == (file, line), str(first)
    assert what in first.what, str(first)
    assert remedy in first.remedy, str(first)


def _link(to: str) -> Callable[[Path], None]:
    return lambda folder: (folder / "site.yaml").symlink_to(to)


def _up(folder: Path) -> None:
    (folder / "regions").mkdir()
    (folder / "regions" / "up").symlink_to(folder)


UNREADABLE: dict[str, tuple[Callable[[Path], None], str]] = {
    "a link to nothing": (_link("nowhere.yaml"), "cannot be read"),
    "a link to itself": (_link("site.yaml"), "cannot be read"),
    "a pipe": (lambda folder: os.mkfifo(folder / "site.yaml"), "is no plain file"),
    "a folder that leads to itself": (_up, "leads back"),
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_what_cannot_be_read_is_told(name: str, tmp_path: Path) -> None:
    make, what = UNREADABLE[name]
    make(tmp_path)
    assert what in problems(tmp_path)[0].what


def test_a_file_that_is_not_ours_to_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file of another user (root may read all, so that the refusal is put in its place)."""
    (tmp_path / "site.yaml").write_text("paper: a4\n")
    opens = Path.open

    def refuse(path: Path, *how: Any, **more: Any) -> Any:
        if path.parent == tmp_path:
            raise PermissionError(13, "Permission denied", str(path))
        return opens(path, *how, **more)

    monkeypatch.setattr(Path, "open", refuse)
    [problem] = problems(tmp_path)
    assert (problem.file, "Permission denied" in problem.what) == ("site.yaml", True)


OTHERS: dict[str, str | bytes] = {
    "README.md": "Ours",
    ".github/workflows/ci.yml": "on: push",
    "._site.yaml": b"\x00\x05\x16\x07",
    ".DS_Store": b"\x00",
    "site.yaml~": "language: [",
    "notes.txt": "rules",
    "site.yaml": "\ufeff# ours\r\nlanguage: de\r\npolicy: &ours {name: N, date: 2026-01-31}\r\n",
}


def test_what_is_not_the_catalogues_is_left_alone(tmp_path: Path) -> None:
    """Hidden files, an editor's copy, notes; a byte order mark, CRLF, an anchor and a day without quotes are YAML."""
    for name, content in OTHERS.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    assert problems(tmp_path) == []
    assert load_catalogue(tmp_path).settings.policy.date == "2026-01-31"


def test_norway_is_a_country_and_no_a_language(tmp_path: Path) -> None:
    """In YAML 1.1 ``no`` is false; here it is what it says."""
    (tmp_path / "site.yaml").write_text("language: no\npublication: {jurisdiction: NO}\n")
    (tmp_path / "labels").mkdir()
    (tmp_path / "labels" / "no.yaml").write_text("language: no\nreasons: {crying: yes}\n")
    settings = load_catalogue(tmp_path).settings
    assert (settings.language, settings.publication.jurisdiction) == ("no", "NO")
    assert load_catalogue(tmp_path).reasons["crying"].label == "yes"
