"""README and guides: every command and option that they show exists, every link leads somewhere."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from adapter.cli import cli

ROOT = Path(__file__).parents[2]
GUIDES = sorted(ROOT.glob("examples/**/*.md"))
TEXTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *GUIDES]
NAME = "newborn-adapter"


def _shown(text: str) -> Iterator[list[str]]:
    """The words of each command line that a text shows, from a block or between backquotes."""
    spans = [*re.findall(r"`([^`]+)`", re.sub(r"(?ms)^```.*?^```", "", text))]
    spans += [
        line
        for block in re.findall(r"(?ms)^```sh\n(.*?)^```", text)
        for line in block.replace("\\\n", " ").splitlines()
    ]
    for span in spans:
        for part in re.split(r"&&|\|\||[|;]", span.split("   #")[0]):
            before, found, rest = part.partition(f"{NAME} ")
            words = shlex.split(rest.replace("\n", " "), comments=True) if found else []
            if words and (not before.strip() or before.endswith("bin/")):
                yield words


def _command(words: list[str]) -> tuple[click.Command, list[str]]:
    command: click.Command = cli
    context = click.Context(cli)
    while (
        isinstance(command, click.Group) and words and (inner := command.get_command(context, words[0])) is not None
    ):
        command, words = inner, words[1:]
    return command, words


@pytest.mark.parametrize("path", TEXTS, ids=[str(path.relative_to(ROOT)) for path in TEXTS])
def test_commands_and_options_are_there(path: Path) -> None:
    for words in _shown(path.read_text(encoding="utf-8")):
        command, rest = _command(words)
        assert command is not cli or words[0].startswith("-"), words
        options = {name for parameter in command.params for name in (*parameter.opts, *parameter.secondary_opts)}
        used = {word.partition("=")[0].rstrip(",.") for word in rest if re.match(r"--?[a-z]", word)}
        assert used <= options | {"--help", "--version"}, (words, used - options)


def _anchors(path: Path) -> set[str]:
    """The headings of a text as links name them: small letters, digits, hyphens for spaces."""
    heads = re.findall(r"(?m)^#+ (.+)$", path.read_text(encoding="utf-8"))
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("path", TEXTS, ids=[str(path.relative_to(ROOT)) for path in TEXTS])
def test_links_lead_to_files_and_headings(path: Path) -> None:
    for target, anchor in re.findall(r"\]\(([^)#]+)(?:#([^)]+))?\)", path.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (path.parent / target).exists(), target
            assert not anchor or anchor in _anchors(path.parent / target), (target, anchor)


def test_every_command_is_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    context = click.Context(cli)
    missing = [name for name in cli.list_commands(context) if f"`{NAME} {name}" not in text]
    assert missing == []


def test_every_guide_is_led_to_from_the_readme() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    guides = [str(path.relative_to(ROOT)) for path in GUIDES if len(path.relative_to(ROOT).parts) <= 3]
    assert [guide for guide in guides if guide not in text] == []
