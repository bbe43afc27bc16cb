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


@cache
def _said() -> list[tuple[str, int, str, set[str] | None]]:
    return list(_sayings())


def _sayings() -> Iterator[tuple[str, int, str, set[str] | None]]:
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


def _script() -> Iterator[tuple[str, str]]:
    """Each module of the bedside page without its comments and what it takes from others."""
    for path in sorted(SOURCES.rglob("*.mjs")):
        lines = (line.strip() for line in path.read_text(encoding="utf-8").splitlines())
        yield path.name, "\n".join(line for line in lines if not line.startswith(("//", "/*", "*", "import ")))


_LITERAL = re.compile(r'"((?:[^"\\\n]|\\.)*)"|`((?:[^`\\]|\\.)*)`')


def _said_by_the_page() -> Iterator[tuple[str, str, str]]:
    """Module, the key as a pattern (where a part of it is computed, any word), and what is given with it."""
    for name, script in _script():
        for call in re.finditer(r"(?<!const )\b(say|pieces|said|saidWith|saidOf|fault|doubt|one)\(", script):
            first, *rest = _arguments(script, call.end())
            whole = call[1] in ("fault", "doubt", "one")
            under = "page." if call[1] in ("said", "saidWith") else ""
            key, given = (first, rest) if call[1].startswith("said") else ("".join(rest if whole else rest[:1]), rest)
            for literal in _LITERAL.finditer(key):
                text = re.sub(r"\$\{[^}]*\}", "ANY", literal[1] or literal[2] or "")
                if re.fullmatch(r"[\w.-]+", text) and not key[: literal.start()].endswith(("=== ", "!== ")):
                    if whole:
                        under, text = "page.problem.", f"{text.replace('-', '_')}.what"
                        yield name, re.escape(under + text).replace("what", "remedy"), " ".join(given)
                    yield name, re.escape(under + text).replace("ANY", r"\w+"), " ".join(given)


def _arguments(script: str, start: int) -> list[str]:
    """What a call is given, in its parts; brackets within sentences are none here."""
    found, depth, end = [""], 1, start
    while depth:
        character = script[end]
        depth += {"(": 1, "{": 1, "[": 1, ")": -1, "}": -1, "]": -1}.get(character, 0)
        if depth == 1 and character == ",":
            found.append("")
        elif depth:
            found[-1] += character
        end += 1
    return [one.strip() for one in found]


def test_what_the_page_says_is_in_the_list_with_its_parts() -> None:
    """A key that stands whole is there; each part of its sentence is named in the call, or comes with others."""
    for file, pattern, given in _said_by_the_page():
        key = pattern.replace("\\", "")
        if r"\w+" not in pattern and "problem" not in pattern:
            assert key in KEYS, (file, key)
        if key in KEYS:
            sentence = KEYS[key] if isinstance(KEYS[key], str) else KEYS[key]["other"]
            for part in re.findall(r"\{(\w+)\}", sentence):
                assert re.search(rf"\b{part}\b|\.\.\.|(^| )\w+(\([^)]*\))?$", given), (file, key, part)


def test_no_words_of_its_own_stand_in_the_page_s_script_or_style() -> None:
    """Two words in a row, or one with a capital: what browsers call things is all that is left."""
    of_browsers = {"Enter", "Date", "AbortError", "Content-Type", "take it now", "inside view- "}
    of_browsers |= {"main input.number", "#ways .left button", "font: 8pt sans-serif; vertical-align: bottom;"}
    for file, script in _script():
        for literal in _LITERAL.finditer(script):
            text = re.sub(r"\$\{[^}]*\}", " ", literal[1] or literal[2] or "")
            if re.search(r"[^\W\d_]{2,} [^\W\d_]{2,}|^[A-Z][a-z]+", text):
                assert text in of_browsers, (file, text)
    for path in SOURCES.rglob("*.css"):
        for content in re.findall(r'content: "([^"]*)"', path.read_text(encoding="utf-8")):
            assert not re.search(r"\w", content), (path.name, content)


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
    page = "|".join(key for _, key, _ in _said_by_the_page())
    said |= {key for key in KEYS if re.fullmatch(page, key)}
    unsaid = [key for key in KEYS if key not in said and not key.startswith(beginnings)]
    assert unsaid == []


def test_the_shipped_lists_are_complete() -> None:
    assert lint_lists() == ()
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
