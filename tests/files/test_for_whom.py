"""Who may read what is written, and that nothing is written through a link.

POSIX: open(2) with O_EXCL and O_NOFOLLOW, umask(2), chmod(2). That a container's secrets are mounted 0444 is common
practice.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue
from adapter.files.dedupe import Dedupe
from adapter.files.drop import put, versions
from adapter.files.whole import narrow, swept, write, writing
from adapter.forms.serve import Filing
from adapter.send import Outbox
from adapter.send.rest.auth.secrets import NoSecret, Secret
from adapter.send.target import target_of
from adapter.write.deidentify.keys import BadPseudonymKey, read_key
from commands import run_here

CAPTURE = Path(__file__).parents[2] / "examples" / "captures" / "d10-1-girl-scalp-swelling-left.json"


@contextmanager
def umask(mode: int) -> Iterator[None]:
    before = os.umask(mode)
    try:
        yield
    finally:
        os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_what_holds_names_is_its_owners_alone(tmp_path: Path) -> None:
    commands = {
        "bundle.json": ["convert", CAPTURE],
        "document.json": ["convert", CAPTURE, "--to", "document"],
        "report.html": ["convert", CAPTURE, "--to", "report"],
        "exam.er7": ["convert", CAPTURE, "--to", "v2"],
        "response.json": ["form", "--response", CAPTURE],
        "problems.ndjson": ["validate", tmp_path / "bundle.json"],
        "study": ["extract", CAPTURE, "--jobs", "1"],
        "parts": ["convert", CAPTURE, "--parts"],
    }
    with umask(0):
        for name, command in commands.items():
            done = run_here(*command, "--out", tmp_path / name)
            assert done.returncode in (0, 1), (name, done.stderr)
    found = [path for name in commands for path in (tmp_path / name, *(tmp_path / name).rglob("*"))]
    assert len(found) > len(commands)
    assert [path for path in found if mode(path) & 0o077] == []


def test_what_is_about_nobody_is_as_the_umask_says(tmp_path: Path) -> None:
    with umask(0o022):
        run_here("form", "--worksheet", "--out", tmp_path / "sheet.html")
        run_here("form", "--questionnaire", "--kind", "shift", "--out", tmp_path / "shift.json")
    assert {mode(path) for path in tmp_path.iterdir()} == {0o644}


def test_a_file_that_was_open_to_others_is_closed_when_it_is_written_anew(tmp_path: Path) -> None:
    path = tmp_path / "bundle.json"
    path.write_text("an earlier one")
    path.chmod(0o644)
    write(path, b"{}")
    assert (mode(path), path.read_bytes()) == (0o600, b"{}")


def test_whoever_does_not_ask_for_a_public_file_gets_one_for_its_owner(tmp_path: Path) -> None:
    with umask(0):
        assert put(tmp_path, "dropped.json", b"{}")
        with writing(tmp_path / "told.json") as file:
            file.write(b"{}")
    assert {path.name: mode(path) for path in tmp_path.iterdir()} == {"dropped.json": 0o600, "told.json": 0o600}


def test_nothing_is_written_through_a_link(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_text("as it was")
    link = tmp_path / "out.json"
    link.symlink_to(elsewhere)
    write(link, b"{}")
    assert elsewhere.read_text() == "as it was"
    assert not link.is_symlink()


@pytest.mark.parametrize("name", ["demo-d10.json", ".demo-d10.json.new"])
@pytest.mark.parametrize("there", [True, False])
def test_a_link_in_the_drop_folder_leads_no_record_elsewhere(
    name: str, there: bool, tmp_path: Path, catalogue: Catalogue
) -> None:
    """Neither through a temporary name that can be guessed, nor is a record said to be filed that is never sent."""
    drop, elsewhere = tmp_path / "drop", tmp_path / "elsewhere.json"
    drop.mkdir()
    if there:
        elsewhere.write_bytes(CAPTURE.read_bytes())
    (drop / name).symlink_to(elsewhere)
    with Filing(drop, catalogue) as filing:
        answer = filing.file(CAPTURE.read_bytes())
    assert elsewhere.exists() is there
    if name.startswith("."):
        assert answer.status == 201
        assert not (drop / "demo-d10.json").is_symlink()
    else:
        assert (answer.status, answer.body["accepted"]) == (507, False)
        assert "link" in answer.body["problems"][0]["what"]
        assert list(versions(drop, "demo-d10.json")) == []


def test_a_lock_is_not_made_through_a_link(tmp_path: Path, catalogue: Catalogue) -> None:
    (tmp_path / ".form-lock").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(Exception, match="cannot be written"), Filing(tmp_path, catalogue):
        pass
    assert not (tmp_path / "elsewhere").exists()


def test_what_a_killed_process_left_is_swept_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / ".exam.json.0123456789abcdef.new").write_text("half")
    (tmp_path / ".another-programs.new").write_text("half")
    put(tmp_path, "exam.json", b"{}")
    assert swept(tmp_path) == 1
    assert {path.name for path in tmp_path.iterdir()} == {".another-programs.new", "exam.json"}


def test_an_outbox_that_others_could_read_is_closed_and_that_is_said(tmp_path: Path) -> None:
    path = tmp_path / "outbox.db"
    with Outbox(path) as outbox:
        assert not outbox.narrowed
        path.chmod(0o644)
        (tmp_path / "outbox.db-wal").chmod(0o640)
        done = run_here("outbox", "list", "--outbox", path)
        assert b"could be read by others" in done.stderr
        assert {mode(one) for one in tmp_path.iterdir()} == {0o600}


def test_narrowing_follows_no_link(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.write_text("")
    outside.chmod(0o644)
    folder = tmp_path / "folder"
    folder.mkdir(mode=0o755)
    (folder / "link").symlink_to(outside)
    (inside := folder / "inside").write_text("")
    inside.chmod(0o644)
    (tmp_path / "to the folder").symlink_to(folder)
    assert not narrow(tmp_path / "to the folder")
    assert mode(inside) == 0o644
    assert narrow(folder)
    assert (mode(folder), mode(inside), mode(outside)) == (0o700, 0o600, 0o644)
    assert not narrow(folder)


@pytest.mark.parametrize(
    ("rights", "said", "used"),
    [(0o400, False, True), (0o711, False, True), (0o444, True, True), (0o640, True, True), (0o666, False, False)],
)
def test_a_secret_that_others_may_read_is_said_and_one_that_they_may_write_refused(
    rights: int, said: bool, used: bool, tmp_path: Path
) -> None:
    token = tmp_path / "token"
    token.write_text("0123456789abcdef0123456789abcdef")
    token.chmod(rights)
    auth = {"kind": "bearer", "token_file": str(token)}
    remarks = target_of({"url": "https://fhir.example.org/r4", "auth": auth}, "here").remarks()
    assert [str(token) in one for one in remarks] == [True] * said
    if used:
        assert Secret(token, None, "token").read() == token.read_text()
        read_key(token)
    else:
        with pytest.raises(NoSecret, match="written by anybody"):
            Secret(token, None, "token").read()
        with pytest.raises(BadPseudonymKey, match="written by anybody"):
            read_key(token)


def test_a_text_met_again_has_what_it_was_first_given() -> None:
    with Dedupe() as met:
        assert [met.first("a", "1"), met.first("b", "2"), met.first("a", "3")] == ["1", "2", "1"]
    with Dedupe() as met:
        assert [met.new("a"), met.new("b"), met.new("a")] == [True, True, False]
