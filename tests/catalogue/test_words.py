"""Every fixed sentence stands in the word list, with the parts that the program gives it, and is said somewhere."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest

import adapter
from adapter.catalogue import load_catalogue
from adapter.catalogue.languages import WORDS, shipped_languages
from adapter.catalogue.words import flat, lint_lists, shipped_list, words_of

SAYING = ("say", "NoReference", "NoLine")
SOURCES = Path(adapter.__file__).parent
KEYS = dict(flat(shipped_list("en")["sentences"])) if shipped_list("en") else {}


@cache
def _parsed() -> list[tuple[Path, ast.Module]]:
    return [(path, ast.parse(path.read_text(encoding="utf-8"))) for path in sorted(SOURCES.rglob("*.py"))]


def _said() -> Iterator[tuple[str, int, str, set[str] | None]]:
    """File, line, the key (its beginning where the rest is computed) and the parts of each sentence that is said."""
    for path, tree in _parsed():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and _named(node.func) in SAYING and node.args:
                parts = {one.arg for one in node.keywords}
                for key, whole in _keys(node.args[0]):
                    named = {part for part in parts if part is not None}
                    yield path.name, node.lineno, key, (named if whole and named == parts else None)


def _named(called: ast.expr) -> str:
    return getattr(called, "attr", getattr(called, "id", ""))


def _keys(node: ast.expr) -> Iterator[tuple[str, bool]]:
    if isinstance(node, ast.Constant):
        if re.fullmatch(r"[\w.]+", str(node.value)):  # else something else says what has no key
            yield str(node.value), True
    elif isinstance(node, ast.JoinedStr) and isinstance(node.values[0], ast.Constant):
        if re.fullmatch(r"[\w.]+", str(node.values[0].value)):
            yield str(node.values[0].value), False
    elif isinstance(node, ast.IfExp):
        yield from (*_keys(node.body), *_keys(node.orelse))


def test_what_is_said_is_in_the_list_with_its_parts() -> None:
    for file, line, key, parts in _said():
        if parts is None:
            assert any(known.startswith(key) for known in KEYS), (file, line, key)
            continue
        sentence = KEYS[key]
        if isinstance(sentence, str):
            sentence.format_map(dict.fromkeys(parts, "x"))
        else:
            assert "count" in parts
            [form.format_map(dict.fromkeys(parts, "x")) for form in sentence.values()]


def test_no_sentence_is_kept_that_nobody_says() -> None:
    said = {one.value for _, tree in _parsed() for one in ast.walk(tree) if isinstance(one, ast.Constant)}
    beginnings = tuple(key for _, _, key, parts in _said() if parts is None)
    page = " ".join(path.read_text(encoding="utf-8") for path in sorted(SOURCES.rglob("*.mjs")))
    said |= {f"page.{name}" for name in re.findall(r"\w+", page)}
    said |= {f"page.caution_{name}" for name in re.findall(r"\w+", page)}
    unsaid = [key for key in KEYS if key not in said and not key.startswith(beginnings)]
    assert unsaid == []


def test_the_shipped_lists_are_complete() -> None:
    assert lint_lists() == []
    assert "en" in shipped_languages(WORDS)


def test_a_site_replaces_single_sentences(tmp_path: Path) -> None:
    (tmp_path / "words").mkdir()
    (tmp_path / "site.yaml").write_text("language: null\n", encoding="utf-8")
    ours = "language: en\ndecimal: ','\nsentences:\n  report: {title: 'Our sheet: {kind}'}\n"
    (tmp_path / "words" / "en.yaml").write_text(ours, encoding="utf-8")
    words = load_catalogue(tmp_path).words
    assert words.say("report.title", kind="birth") == "Our sheet: birth"
    assert words.say("report.counted", seconds=Decimal("60.50")) == "counted for 60,50 s"
    assert words.say("report.what_to_tell") == load_catalogue().words.say("report.what_to_tell")


@pytest.mark.parametrize(("number", "said"), [(1, "Rests on exam a too."), (2, "Rests on exams a too.")])
def test_one_and_several(number: int, said: str) -> None:
    words, problems = words_of("en", ())
    assert (words.say("note.rests_on", count=number, exams="a"), problems) == (said, [])
