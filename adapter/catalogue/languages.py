"""What is shipped for each language: sentences in ``mappings/words/``, labels in ``mappings/labels/``."""

from __future__ import annotations

from functools import cache, partial
from typing import Any

from adapter.catalogue.files import READERS, Node, mappings
from adapter.catalogue.kept import kept, unpacked
from adapter.problems import Problem

WORDS = "words"
LABELS = "labels"


def tags(language: str) -> tuple[str, ...]:
    """A language as it is asked for, then its main language: ``de-AT``, ``de``."""
    return tuple(dict.fromkeys((language, language.partition("-")[0])))


def _read(path: Any, called: str) -> tuple[Any, list[Problem]]:
    from adapter.catalogue.strict_yaml import read_yaml  # here: what is kept needs no YAML

    return read_yaml(path, called)


@cache
def shipped_file(folder: str, language: str) -> Node | None:
    """The shipped file of a language, else of its main language; None where there is none."""
    for name in tags(language):
        path = mappings() / folder / f"{name}.yaml"
        if path.is_file():
            called = f"{folder}/{name}.yaml"
            made = partial(_read, path, called)
            content, problems = unpacked(kept(f"{folder}-{name}", ((called, path), *READERS), made))
            assert isinstance(content, Node), f"{called}: {problems}"
            return content
    return None


def shipped_languages(folder: str) -> list[str]:
    """The languages that a folder has a shipped file of."""
    names = (entry.name for entry in (mappings() / folder).iterdir())
    return sorted(name.removesuffix(".yaml") for name in names if name.endswith(".yaml"))
