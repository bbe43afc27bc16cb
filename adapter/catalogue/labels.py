"""The words of a language for whatever the catalogue names: labels, answers, reasons, rules, places, cautions.

``mappings/labels/LANGUAGE.yaml`` is a complete draft of the makers, and a site's own ``labels/LANGUAGE.yaml`` is laid
over it. The file says its ``language``, which native clinician has ``reviewed`` it, and then, for each list of the
catalogue, words by id: a text is the label; a mapping holds ``label``, ``within`` (how it is written within a
sentence, where that is otherwise), ``how``, ``caution``, ``reason`` and, of an item or a sign, its ``answers``,
``components`` and ``signs``, again by id. What no file says keeps its English label. The published displays of
codes are never touched.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from adapter.catalogue.files import Node, entries
from adapter.catalogue.languages import LABELS, shipped_file, shipped_languages, tags
from adapter.catalogue.settings import LANGUAGE, SHIPPED_LANGUAGE
from adapter.problems import Layer, Problem, Severity

_TEXTS = ("label", "within", "how", "caution", "reason", "no_standard_code", "below", "above")
_NOT_ASKED = ("within", "no_standard_code")
"""Texts that a draft may leave out: what is written alike in a sentence, and what terminologists read."""
_WITHIN = ("answers", "components", "signs")
LISTS = (
    *("reasons", "states", "methods", "roles", "kinds", "sides", "sections", "meanings", "urgencies", "details"),
    *("sites", "stages", "units", "rules", "not_judged", "estimates", "screenings", "systems", "sources"),
)
"""The lists of the catalogue whose entries a labels file may word."""
_NAMES = ("systems", "sources")
"""Of these, those that are names: nobody misses them in another language."""
_POLICY = "policy"
"""In a draft: what the shipped policy is called. A site names its own in ``site.yaml``."""


def laid(raw: dict[str, Any], drafts: Node | None) -> list[Problem]:
    """Lay the shipped words of a language over the raw catalogue, in place; what is wrong in them."""
    if drafts is None:
        return []
    if _POLICY in drafts:
        raw["settings"][_POLICY]["name"] = drafts[_POLICY]
    return list(_of_file(raw, _but_policy(drafts), drafts.file, apply=True))


def with_labels(raw: dict[str, Any], language: str | None, drafts: Node | None) -> list[Problem]:
    """Lay a site's words of its language over the raw catalogue, in place; the problems of every labels file.

    ``drafts``: the shipped ones, which lie below them.
    """
    problems: list[Problem] = []
    said = raw.get(LABELS, {})
    asked = tags(language)[::-1] if language else ()
    for name, content in sorted(said.items(), key=lambda one: asked.index(one[0]) if one[0] in asked else -1):
        file = f"{LABELS}/{name}.yaml"
        if not isinstance(content, Mapping) or content.get("language") != name:
            what = f"does not say language: {name}"
            problems.append(_problem(file, content, "language", what, f"language: {name}, as the file is called"))
        else:
            problems += _of_file(raw, content, file, apply=name in asked)
    known = isinstance(language, str) and re.match(LANGUAGE, language)
    if language and known and asked[0] != SHIPPED_LANGUAGE and drafts is None and not {*asked} & {*said}:
        what = f"language is {language}, and there is no labels/{language}.yaml"
        shipped = ", ".join(shipped_languages(LABELS))
        remedy = f"that file, language: null for English, or one that is shipped: {shipped}"
        problems.append(_problem("site.yaml", raw.get("settings"), "language", what, remedy))
    return problems


def reviewed(raw: Mapping[str, Any], language: str | None) -> bool:
    """Whether a site's words of the language say who has reviewed them, and with them the drafts below."""
    said = raw.get(LABELS, {})
    return any(said[tag].get("reviewed") for tag in (tags(language) if language else ()) if tag in said)


def without_words(raw: Mapping[str, Any], language: str | None, drafts: Node | None) -> int:
    """How many labels have no words in the language and stay English."""
    if language is None or tags(language)[-1] == SHIPPED_LANGUAGE:
        return 0
    given = [raw.get(LABELS, {}).get(tag) for tag in tags(language)]
    said = [content for content in (*given, drafts) if content is not None]
    return sum(
        _unsaid(entry, [(content.get(part) or {}).get(name) for content in said])
        for part, entries_of in _named(raw)
        for name, entry in entries_of.items()
    )


def _unsaid(entry: Mapping[str, Any], said: Sequence[Any]) -> int:
    fields: list[Mapping[str, Any]] = [{"label": one} if isinstance(one, str) else one or {} for one in said]
    inner = (
        _unsaid(part, [(one.get(name) or {}).get(part.get("id")) for one in fields])
        for name in _WITHIN
        for part in entries(entry.get(name))
    )
    return (not any("label" in one for one in fields)) + sum(inner)


def lint_labels(catalogue: Mapping[str, Any]) -> list[Problem]:
    """What is wrong in the shipped drafts: words for nothing that there is, and what has no words in one of them.

    ``catalogue``: what is shipped, as it was read.
    """
    found: list[Problem] = []
    for language in shipped_languages(LABELS):
        content = shipped_file(LABELS, language)
        assert content is not None
        file = content.file
        found += _of_file(catalogue, _but_policy(content), file, apply=False)
        if not isinstance(content.get(_POLICY), str):
            what = f'its words; in English: "{catalogue["settings"][_POLICY]["name"]}"'
            found.append(_problem(file, content, _POLICY, "has no name of the shipped policy", what, "missing-label"))
        for part, known in _named(catalogue):
            for name, entry in known.items():
                found += _lacking(entry, content.get(part) or {}, name, f"{part}.{name}", content, file)
    return found


def _lacking(
    entry: Mapping[str, Any], words: Mapping[str, Any], name: str, place: str, holder: Any, file: str
) -> Iterator[Problem]:
    """What an entry says in English and has no words for; ``holder`` is as near as its line can be told."""
    said = words.get(name)
    fields: Mapping[str, Any] = {"label": said} if isinstance(said, str) else said or {}
    holder = words if isinstance(words, Node) else holder
    for text in (one for one in _TEXTS if one in entry and one not in _NOT_ASKED and one not in fields):
        what, remedy = f"has no {text} in this language", f'its words; in English: "{entry[text]}"'
        yield _problem(file, holder, f"{place}.{text}", what, remedy, "missing-label")
    for part in _WITHIN:
        for inner in entries(entry.get(part)):
            own = str(inner.get("id"))
            yield from _lacking(inner, fields.get(part) or {}, own, f"{place}.{part}.{own}", words, file)


def _named(raw: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, dict[str, Any]]]]:
    """Each part of a labels file with the entries that it may word, by id; code systems have names of their own."""
    yield "regions", raw["regions"]
    yield "items", _items(raw)
    for part in LISTS:
        if part not in _NAMES:
            yield part, _by_name(raw.get(part))


def _items(raw: Mapping[str, Any]) -> dict[str, Any]:
    return {str(item.get("id")): item for region in raw["regions"].values() for item in entries(region.get("items"))}


def _by_name(some: Any) -> dict[str, Any]:
    return {str(entry.get("id", entry.get("ucum"))): entry for entry in entries(some)}


def _but_policy(drafts: Node) -> Node:
    """A draft as a site's file would be, its keys still at their lines."""
    rest = Node({key: value for key, value in drafts.items() if key != _POLICY})
    rest.file, rest.line, rest.lines = drafts.file, drafts.line, drafts.lines
    return rest


def _of_file(raw: Mapping[str, Any], content: Mapping[str, Any], file: str, apply: bool) -> Iterator[Problem]:
    for part, words in content.items():
        if part == "language":
            continue
        if part == "reviewed":
            if not (words is None or (isinstance(words, str) and words.strip())):
                yield _problem(file, content, part, "is not a text", '"name, date", or null')
            continue
        if part == "items":
            known: Mapping[str, Any] = _items(raw)
        elif part == "regions":
            known = raw["regions"]
        elif part in LISTS:
            known = _by_name(raw.get(part))
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
