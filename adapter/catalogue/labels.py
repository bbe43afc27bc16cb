"""A site's own words: ``labels/LANGUAGE.yaml`` laid over labels, answers, reasons, rules and whatever has a label.

The file says its ``language`` and then, for each list of the catalogue, words by id: a text is the label; a mapping
holds ``label``, ``within`` (how it is written within a sentence, where that is otherwise), ``how``, ``caution``,
``reason`` and, of an item or a sign, its ``answers``, ``components`` and ``signs``, again by id. What it leaves out
keeps its English label.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Any

from adapter.catalogue.files import Node, entries
from adapter.catalogue.settings import LANGUAGE
from adapter.problems import Layer, Problem, Severity

_TEXTS = ("label", "within", "how", "caution", "reason", "no_standard_code", "below", "above")
_WITHIN = ("answers", "components", "signs")
LISTS = (
    *("reasons", "states", "methods", "roles", "kinds", "sides", "sections", "meanings", "urgencies", "details"),
    *("sites", "rules", "not_judged", "estimates", "screenings", "systems", "stages"),
)
"""The lists of the catalogue whose entries a labels file may word."""


def with_labels(raw: dict[str, Any], language: str | None) -> list[Problem]:
    """Lay the words of a language over the raw catalogue, in place; the problems of every labels file."""
    problems: list[Problem] = []
    for name, content in raw.get("labels", {}).items():
        file = f"labels/{name}.yaml"
        if not isinstance(content, Mapping) or content.get("language") != name:
            what = f"does not say language: {name}"
            problems.append(_problem(file, content, "language", what, f"language: {name}, as the file is called"))
        else:
            problems += _of_file(raw, content, file, apply=name == language)
    known = isinstance(language, str) and re.match(LANGUAGE, language)
    if language and known and not language.startswith("en") and language not in raw.get("labels", {}):
        what = f"language is {language}, and there is no labels/{language}.yaml"
        problems.append(_problem("site.yaml", None, "language", what, "that file, or language: null for English"))
    return problems


def without_words(raw: Mapping[str, Any], language: str | None) -> int:
    """How many labels of items and answers have no words in the language and stay English."""
    if language is None or language.startswith("en"):
        return 0
    said = raw.get("labels", {}).get(language, {}).get("items", {})
    items = [item for region in raw["regions"].values() for item in entries(region.get("items"))]
    return sum(_unsaid(item, said.get(item.get("id"))) for item in items)


def _unsaid(entry: Mapping[str, Any], said: Any) -> int:
    fields: Mapping[str, Any] = {"label": said} if isinstance(said, str) else said or {}
    inner = (
        _unsaid(part, fields.get(name, {}).get(part.get("id")))
        for name in _WITHIN
        for part in entries(entry.get(name))
    )
    return ("label" not in fields) + sum(inner)


def _of_file(raw: dict[str, Any], content: Mapping[str, Any], file: str, apply: bool) -> Iterator[Problem]:
    items = {str(item.get("id")): item for region in raw["regions"].values() for item in entries(region.get("items"))}
    for part, words in content.items():
        if part == "language":
            continue
        if part == "items":
            known: Mapping[str, Any] = items
        elif part == "regions":
            known = raw["regions"]
        elif part in LISTS:
            known = {str(entry.get("id")): entry for entry in entries(raw.get(part))}
        else:
            yield _unknown(file, content, part, part, ("items", "regions", *LISTS))
            continue
        yield from _by_id(known, words, part, content, file, apply)


def _by_id(
    known: Mapping[str, Any], words: Any, place: str, holder: Any, file: str, apply: bool
) -> Iterator[Problem]:
    if not isinstance(words, Mapping):
        yield _problem(file, holder, place, "is not a mapping of ids to words", "heart_rate: Herzfrequenz")
        return
    for name, said in words.items():
        if name not in known:
            yield _unknown(file, words, f"{place}.{name}", name, known)
        else:
            yield from _entry(known[name], said, f"{place}.{name}", words, file, apply)


def _entry(entry: dict[str, Any], said: Any, place: str, holder: Any, file: str, apply: bool) -> Iterator[Problem]:
    at = said if isinstance(said, Node) else holder
    fields = {"label": said} if isinstance(said, str) else said
    if not isinstance(fields, Mapping):
        yield _problem(file, holder, place, "is neither a text nor a mapping", "the label, or {label: .., how: ..}")
        return
    for key, value in fields.items():
        if key in _WITHIN and key in entry:
            yield from _by_id(
                {str(e.get("id")): e for e in entries(entry[key])}, value, f"{place}.{key}", said, file, apply
            )
        elif key not in _TEXTS:
            yield _unknown(file, said, f"{place}.{key}", key, (*_TEXTS, *(w for w in _WITHIN if w in entry)))
        elif not isinstance(value, str) or not value.strip():
            yield _problem(file, at, f"{place}.{key}", "is not a text", "words, in quotes where YAML reads them else")
        elif apply:
            entry[key] = value
    if apply and "label" in fields and "within" not in fields:
        entry.pop("within", None)  # that of the label before


def _unknown(file: str, holder: Any, place: str, name: str, known: Any) -> Problem:
    near = get_close_matches(name, list(known), 3, 0.5)
    remedy = f"did you mean {', '.join(near)}?" if near else "an id that the catalogue has"
    return _problem(file, holder, place, f"'{name}' is not in the catalogue", remedy, "unknown-label")


def _problem(file: str, holder: Any, place: str, what: str, remedy: str, rule: str = "labels") -> Problem:
    line = None
    if isinstance(holder, Node) and holder.file == file:
        steps = reversed(place.split("."))
        line = next((holder.lines[step] for step in steps if step in holder.lines), holder.line)
    return Problem(Severity.ERROR, Layer.CATALOGUE, rule, what, remedy, where=place, file=file, line=line)
