"""``--log json``: what is said beside the output, one JSON object a line, on every command."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import click
import pytest

from adapter.cli import COMMANDS, cli
from commands import ROOT, Run

WRONG = ROOT / "tests" / "wrong"
ALWAYS = {"time", "level", "event", "command"}


def _every(command: click.Command) -> Iterator[click.Command]:
    yield command
    for inner in command.commands.values() if isinstance(command, click.Group) else ():
        yield from _every(inner)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_it(name: str) -> None:
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    for one in _every(command):
        assert [option.name for option in one.params].count("log") == 1, one.name


def lines(stderr: bytes) -> list[dict[str, Any]]:
    found = [json.loads(line) for line in stderr.decode().splitlines()]
    assert all(one.keys() >= ALWAYS for one in found)
    assert [one["event"] for one in found].count("end") == 1
    assert found[-1]["event"] == "end"
    return found


def test_problems_are_lines_and_the_output_is_what_it_was(run: Run) -> None:
    file = WRONG / "answer_unknown.json"
    plain, logged = run("check", file), run("check", file, "--log", "json")
    assert (logged.returncode, logged.stdout, plain.stderr) == (plain.returncode, plain.stdout, b"")
    problem, *_, end = lines(logged.stderr)
    assert (problem["event"], problem["rule"], problem["level"]) == ("problem", "unknown-answer", "error")
    assert problem["file"] == str(file)
    assert (end["command"], end["exit"]) == ("check", 1)


def test_progress_is_numbers_and_no_line_names_anybody(run: Run) -> None:
    done = run("convert", ROOT / "examples/captures", "--out", "out.ndjson", NEWBORN_ADAPTER_LOG="json")
    found = lines(done.stderr)
    progress = next(one for one in found if one["event"] == "progress")
    assert (progress["read"], progress["refused"], done.returncode) == (14, 0, 0)
    assert b"Invented" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("check", "--nope", "--log", "json"), 2, "--nope"),
        (("--log=json", "check", "nowhere.json"), 2, "nowhere.json"),
        (("columns", "check", "nowhere.yaml", "--log", "json"), 1, "cannot be read"),
        (("extract", "captures/one.json", "--out", "exam.json", "--log", "json"), 2, "exam.json"),
    ],
)
def test_what_ends_a_command_is_a_line_too(run: Run, arguments: tuple[str, ...], code: int, said: str) -> None:
    done = run(*arguments)
    *before, end = lines(done.stderr)
    assert (done.returncode, end["exit"], end["level"]) == (code, code, "error")
    assert said in str(before)


def test_a_form_that_is_none_is_refused(run: Run) -> None:
    assert run("check", "exam.json", "--log", "xml").returncode == 2
