"""What the program says to a nurse or provider: every fixed sentence by its key, from one word list a language.

``mappings/words/LANGUAGE.yaml`` says its ``language``, which native clinician has ``reviewed`` it, how numbers and
times are written in text for people (never in data), and the ``sentences`` by key. English is the measure: a list has
every key that English has, with the same parts in braces. A sentence said of several has ``one`` and ``other``. A
site's own ``words/LANGUAGE.yaml`` replaces single keys, or brings a language of its own. Nothing is put into capitals
or small letters here: what stands at the beginning and in the middle has two keys.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from difflib import get_close_matches
from functools import cache
from string import Formatter
from typing import Any

from adapter.catalogue.files import Node
from adapter.catalogue.languages import WORDS, shipped_file, shipped_languages, tags
from adapter.problems import Layer, Problem, Severity

MEASURE = "en"
"""The language that every other list is held against."""
FORMS = ("one", "other")
_HEAD = ("language", "name", "reviewed", "decimal", "one", "moment", "found_at", "clock", "sentences")
_TIME_PARTS = {
    "moment": ("year", "month", "day", "hour", "minute", "offset"),
    "found_at": ("year", "month", "day", "hour", "minute", "offset"),
    "clock": ("hour", "minute"),
}
Sentence = str | Mapping[str, str]
"""A template, or one for each form of number."""
Part = str | int | Decimal


@dataclass(frozen=True, eq=False)
class Words:
    """The word list in force.

    ``reviewed``: which native clinician has read it, None where nobody has. ``decimal`` stands in place of the point,
    ``ones`` are the numbers of which ``one`` is said. ``moment_form``, ``found_form`` and ``clock_form`` are how a
    time is written: one in a text, one that is itself what was found, one within the exam's day.
    """

    language: str
    name: str
    reviewed: str | None
    decimal: str
    ones: tuple[int, ...]
    moment_form: str
    found_form: str
    clock_form: str
    sentences: Mapping[str, Sentence]
    untranslated: int = field(default=0, compare=False)
    """How many labels of the catalogue have no words in this language and stay English."""
    drafted: bool = field(default=False, compare=False)
    """Whether labels are shipped drafts that the site has not said to be reviewed."""

    def say(self, key: str, /, **parts: Part) -> str:
        """The sentence of a key with its parts; ``count`` chooses between ``one`` and ``other``.

        Numbers are written as the language writes them. Raises ``KeyError`` for a key or part that is not there.
        """
        sentence = self.sentences[key]
        if not isinstance(sentence, str):
            sentence = sentence["one" if parts["count"] in self.ones else "other"]
        if not parts:
            return sentence
        for name, part in parts.items():
            if not isinstance(part, str):
                parts[name] = self.number(part)
        return sentence.format_map(parts)

    def template(self, key: str) -> str:
        """The sentence of a key with its parts in braces, for whoever knows them later."""
        sentence = self.sentences[key]
        assert isinstance(sentence, str), f"{key} has forms"
        return sentence

    def both(self, key: str) -> tuple[str, str]:
        """The same of a sentence that has forms: of one, and of several."""
        sentence = self.sentences[key]
        assert not isinstance(sentence, str), f"{key} has one form"
        return sentence["one"], sentence["other"]

    def remark(self) -> str:
        """What a reader must know of the words: that no native clinician has reviewed them, and how many labels have
        none in this language; nothing where neither is so."""
        said = [self.say("report.not_reviewed", language=self.name)] if self.reviewed is None or self.drafted else []
        said += [self.say("report.untranslated", count=self.untranslated)] if self.untranslated else []
        return " ".join(said)

    def number(self, value: Decimal | int) -> str:
        """A number in text for people, with all its digits."""
        plain = f"{value:f}" if isinstance(value, Decimal) else str(value)
        return plain if self.decimal == "." else plain.replace(".", self.decimal)

    def signed(self, value: Decimal) -> str:
        """The same with its sign, also where it is plus."""
        return f"{value:+f}".replace(".", self.decimal)

    def moment(self, at: datetime) -> str:
        """A time to the minute, with the offset it was recorded with."""
        return self.moment_form.format_map(_parts(at))

    def found_at(self, at: datetime) -> str:
        """A time that is itself what was found."""
        return self.found_form.format_map(_parts(at))

    def clock(self, at: datetime) -> str:
        """The time of day alone."""
        return self.clock_form.format_map(_parts(at))

    def listed(self, parts: Iterable[str | None]) -> str:
        """Those that say something, one after another: ``left, heel``."""
        return self.say("list").join(filter(None, parts))

    def clauses(self, parts: Iterable[str | None]) -> str:
        """Statements one after another: ``abnormal; measure again``."""
        return self.say("clauses").join(filter(None, parts))

    def begins(self, text: str, *keys: str) -> bool:
        """Whether a text begins as one of these sentences does, up to its first part."""
        return text.startswith(tuple(str(self.sentences[key]).partition("{")[0] for key in keys))


@cache
def key_of(value: str) -> str:
    """A value of one of our lists as a part of a key: ``tell_soon`` of ``tell-soon``."""
    return re.sub(r"\W+", "_", value)


def _parts(at: datetime) -> dict[str, str]:
    year, month, day, hour, minute = (f"{n:02d}" for n in (at.year, at.month, at.day, at.hour, at.minute))
    offset = at.isoformat(timespec="minutes")[16:]
    return {"year": f"{year:0>4}", "month": month, "day": day, "hour": hour, "minute": minute, "offset": offset}


def shipped_list(language: str) -> Node | None:
    """The shipped list of a language, else of its main language (``de`` of ``de-AT``); None where there is none."""
    return shipped_file(WORDS, language)


def is_said(text: str, key: str, words: Words | None = None) -> bool:
    """Whether a text is this sentence; see :func:`parts_said`."""
    return parts_said(text, key, words) is not None


def parts_said(text: str, key: str, words: Words | None = None) -> dict[str, str] | None:
    """The parts of a text that is this sentence in one of the shipped languages, or in these words; None where it is
    none: what was written under another language is known again."""
    own = [words.template(key)] if words is not None else []
    patterns = [*_in_any_language(key), *map(_pattern, own)]
    return next((found.groupdict() for one in patterns if (found := one.fullmatch(text))), None)


@cache
def _in_any_language(key: str) -> list[re.Pattern[str]]:
    lists = [found for language in shipped_languages(WORDS) if (found := shipped_list(language)) is not None]
    return [_pattern(_shown(said)) for one in lists for name, said in flat(one["sentences"]) if name == key]


def _pattern(template: str) -> re.Pattern[str]:
    """What a sentence looks like, each of its parts a group."""
    parts = re.split(r"\{(\w+)\}", template)
    named = (f"(?P<{part}>.+?)" if n % 2 else re.escape(part) for n, part in enumerate(parts))
    return re.compile("".join(named))


def words_of(
    language: str, layers: Sequence[Mapping[str, Any]], untranslated: int = 0, drafted: bool = False
) -> tuple[Words, list[Problem]]:
    """The words of a language: the shipped list with those of a pack and a site over it, and what is wrong in these.

    ``layers`` have the content of ``words/`` by language. A language without any list is said in English.
    """
    problems = [one for layer in layers for name, content in layer.items() for one in _wrong(name, content)]
    if problems:
        return _made(_measure(), {}, {}, untranslated, drafted), problems
    own = [layer[tag] for layer in layers for tag in reversed(tags(language)) if tag in layer]
    base = shipped_list(language)
    if base is None and not own:
        return _made(_measure(), {}, {}, untranslated, drafted), []
    lists = [*([base] if base else []), *own]
    said: dict[str, Sentence] = {}
    head: dict[str, Any] = {}
    for one in lists:
        said |= dict(flat(one.get("sentences", {})))
        head |= {key: value for key, value in one.items() if key != "sentences"}
    if base is None:
        problems = [*_lacking(own[-1], f"{WORDS}/{language}.yaml", said, head)]
    return _made(_measure(), head, said, untranslated, drafted), problems


def english() -> Words:
    """The shipped English, for what engineers read in any country."""
    return words_of(MEASURE, [])[0]


def _made(
    measure: Node, head: Mapping[str, Any], said: Mapping[str, Sentence], untranslated: int, drafted: bool
) -> Words:
    known = {**{key: measure[key] for key in _HEAD if key in measure}, **head}
    return Words(
        language=known["language"],
        name=known["name"],
        reviewed=known.get("reviewed"),
        decimal=known["decimal"],
        ones=tuple(known["one"]),
        moment_form=known["moment"],
        found_form=known["found_at"],
        clock_form=known["clock"],
        sentences={**dict(flat(measure["sentences"])), **said},
        untranslated=untranslated,
        drafted=drafted,
    )


def flat(content: Any, before: str = "") -> Iterator[tuple[str, Sentence]]:
    """The sentences of a list by their whole keys, ``report.title``."""
    for key, value in content.items():
        name = f"{before}{key}"
        if isinstance(value, Mapping) and not _is_forms(value):
            yield from flat(value, f"{name}.")
        else:
            yield name, value


def _is_forms(value: Mapping[str, Any]) -> bool:
    return "other" in value and {*value} <= {*FORMS}


@cache
def lint_lists() -> tuple[Problem, ...]:
    """What is wrong in the shipped lists: they are complete, or they are not shipped."""
    found: list[Problem] = []
    for language in shipped_languages(WORDS):
        content = shipped_list(language)
        assert content is not None
        found += _wrong(language, content)
        found += _lacking(content, f"{WORDS}/{language}.yaml", dict(flat(content["sentences"])), content)
    return tuple(found)


def _lacking(content: Any, file: str, said: Mapping[str, Sentence], head: Mapping[str, Any]) -> Iterator[Problem]:
    """What a list that stands alone lacks."""
    for key in _HEAD:
        if key not in head and key != "reviewed":
            yield _problem(
                file, content, "missing-word", f"has no {key}", f"{key}, as in mappings/words/en.yaml", key
            )
    missing = [key for key in _english() if key not in said]
    for key in missing:
        what, remedy = f"has no sentence {key}", f'its words; in English: "{_shown(_english()[key])}"'
        yield _problem(file, content, "missing-word", what, remedy, key, under="sentences")


def _measure() -> Node:
    found = shipped_list(MEASURE)
    assert found is not None, "English is shipped"
    return found


@cache
def _english() -> dict[str, Sentence]:
    return dict(flat(_measure()["sentences"]))


@cache
def _groups() -> frozenset[str]:
    """What keys of English begin with, up to each of their points."""
    keys = (key.split(".") for key in _english())
    return frozenset(".".join(parts[:end]) for parts in keys for end in range(1, len(parts)))


def _shown(sentence: Sentence) -> str:
    return sentence if isinstance(sentence, str) else sentence["other"]


def _wrong(name: str, content: Any) -> Iterator[Problem]:
    """What is wrong in a list by itself: keys that English has not, parts that a sentence does not have or lacks."""
    file = f"{WORDS}/{name}.yaml"
    if not isinstance(content, Node) or content.get("language") != name:
        yield _problem(
            file, content, "words", f"does not say language: {name}", f"language: {name}, as the file", name
        )
        return
    for key, value in content.items():
        if key not in _HEAD:
            yield _problem(
                file, content, "unknown-word", f"'{key}' is no part of a word list", _near(key, _HEAD), key
            )
        elif key in _TIME_PARTS:
            yield from _time_form(file, content, key, value)
        elif key == "one" and not (isinstance(value, list) and all(type(n) is int for n in value)):
            yield _problem(file, content, "words", "one: is no list of numbers", "[1]", key)
        elif key in ("decimal", "name") and not isinstance(value, str):
            yield _problem(file, content, "words", f"{key} is not a text", "a text in quotes", key)
    sentences = content.get("sentences", {})
    if isinstance(sentences, Mapping):
        yield from _sentences(file, sentences, "")
    else:
        yield _problem(file, content, "words", "sentences is not a mapping", "sentences by key", "sentences")


def _time_form(file: str, content: Any, key: str, value: Any) -> Iterator[Problem]:
    given, wanted = _parts_of(value), {*_TIME_PARTS[key]}
    if given is None or {*given} != wanted:
        what = f"{key} does not have each of its parts"
        yield _problem(file, content, "word-part", what, " ".join(f"{{{part}}}" for part in _TIME_PARTS[key]), key)


def _sentences(file: str, content: Any, before: str) -> Iterator[Problem]:
    for key, value in content.items():
        name = f"{before}{key}"
        english = _english().get(name)
        if english is None:
            if isinstance(value, Mapping) and name in _groups():
                yield from _sentences(file, value, f"{name}.")
            else:
                remedy = _near(name, _english())
                yield _problem(file, content, "unknown-word", f"there is no sentence '{name}'", remedy, key)
        else:
            yield from _sentence(file, content, key, value, english, name)


def _sentence(file: str, content: Any, key: str, value: Any, english: Sentence, name: str) -> Iterator[Problem]:
    forms = value if isinstance(value, Mapping) else {"other": value}
    if isinstance(value, Mapping) and (isinstance(english, str) or not _is_forms(value)):
        wanted = "one sentence" if isinstance(english, str) else "one: and other:"
        yield _problem(file, content, "words", f"{name} has forms that its English has not", wanted, key)
        return
    wanted_parts = _parts_of(_shown(english)) or ()
    for said in forms.values():
        given = _parts_of(said)
        if given is None or not said.strip():
            what = f"{name} is no text with its parts in braces"
            yield _problem(file, content, "words", what, "words, in quotes where YAML reads them else", key)
            continue
        # a sentence of one may leave its number unsaid ("with exam", "mit der Untersuchung")
        lost = [part for part in wanted_parts if part not in given and part != "count"]
        more = [part for part in given if part not in wanted_parts and part != "count"]
        for part in lost:
            yield _problem(file, content, "word-part", f"{name} lacks {{{part}}}", f'"{_shown(english)}"', key)
        for part in more:
            shown = ", ".join(f"{{{one}}}" for one in wanted_parts) or "no part"
            yield _problem(file, content, "word-part", f"{name} has {{{part}}}, which nobody gives", shown, key)


def _parts_of(template: Any) -> list[str] | None:
    """The names in braces; None where it is no text, or its braces are not those of plain names."""
    if not isinstance(template, str):
        return None
    try:
        parsed = [(name, form, how) for _, name, form, how in Formatter().parse(template) if name is not None]
    except ValueError:
        return None
    if any(not name.isidentifier() or form or how for name, form, how in parsed):
        return None
    return list(dict.fromkeys(name for name, _, _ in parsed))


def _near(name: str, known: Iterable[str]) -> str:
    near = get_close_matches(name, list(known), 3, 0.5)
    return f"did you mean {', '.join(near)}?" if near else "a key of mappings/words/en.yaml"


def _problem(file: str, holder: Any, rule: str, what: str, remedy: str, key: str, under: str = "") -> Problem:
    """A fault at a key, or of what is lacking ``under`` one."""
    line = holder.lines.get(under or key, holder.line) if isinstance(holder, Node) else None
    return Problem(Severity.ERROR, Layer.CATALOGUE, rule, what, remedy, where=key, file=file, line=line)
