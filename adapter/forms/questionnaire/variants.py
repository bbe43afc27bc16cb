"""One Observation out of many: what all have stands as it is, what some have under a condition (HL7 SDC 4.0.0,
template-based extraction).

A template is written for a group of a form whose questions have options. The Observation of each choice of options is
built by the builder of Observations; what they share is static, and every other element gets the FHIRPath condition
on the group under which it belongs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import product
from typing import NamedTuple

from adapter.fhir.json import Json, dumps

_SDC = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-"
CONTEXT, VALUE = f"{_SDC}templateExtractContext", f"{_SDC}templateExtractValue"


class Question(NamedTuple):
    """A question of the group whose answer decides: the FHIRPath of its Coding or Quantity, and each option's
    codes.

    An option without codes, the empty one, holds where none of the others does.
    """

    path: str
    options: Mapping[str | None, Sequence[str]]

    def holds(self, chosen: Sequence[str | None]) -> str:
        """The FHIRPath that is true where one of these options was chosen."""
        known = {code for option in chosen if option is not None for code in self.options[option]}
        if None not in chosen:
            return self._any(known)
        others = {code for option in self.options if option is not None for code in self.options[option]} - known
        return f"{self._any(others)}.not()" if others else "true"

    def _any(self, codes: set[str]) -> str:
        return f"{self.path}.where({is_one_of(codes)}).exists()"


Choice = Mapping[str, str | None]
"""An option of each question by the question's name."""


def quoted(text: str) -> str:
    """A FHIRPath string literal."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


def valued(expression: str) -> Json:
    """An element, or what stands beside a primitive, that takes the value of a FHIRPath."""
    return {"extension": [{"url": VALUE, "valueString": expression}]}


def within(expression: str, element: Json) -> Json:
    """An element once for each result of a FHIRPath, in which its own expressions are then read."""
    return {"extension": [{"url": CONTEXT, "valueString": expression}, *element.get("extension", ())]} | {
        name: value for name, value in element.items() if name != "extension"
    }


def only_where(condition: str, element: Json) -> Json:
    """An element under a condition on the group."""
    return within(f"where({condition})", element)


def looked_up(path: str, known: Mapping[str, Sequence[Json]]) -> list[Json]:
    """The published codings beside our own, which an answer has: one element for each place in their lists.

    ``path`` is the FHIRPath of the answered Coding (empty: the context is that), ``known`` has the
    published codings by our code.
    """
    found = []
    for place in range(max(map(len, known.values()), default=0)):
        having = {code: list(codings)[place] for code, codings in known.items() if len(codings) > place}
        names = {name for coding in having.values() for name in coding}
        given = {name: _by_code({c: coding.get(name) for c, coding in having.items()}) for name in sorted(names)}
        # What one of them says holds the place, so that the template is valid as it stands.
        told = dict(next(iter(having.values())))
        told |= {f"_{name}": valued(_choice(value)) for name, value in given.items() if not isinstance(value, str)}
        only = [] if len(having) == len(known) else [f"where({is_one_of(having)})"]
        context = ".".join([path, *only] if path else only)
        found.append(within(context, told) if context else told)
    return found


def _by_code(values: Mapping[str, str | None]) -> str | dict[str | None, list[str]]:
    """A value that all have, else the codes of each."""
    codes: dict[str | None, list[str]] = {}
    for code, value in values.items():
        codes.setdefault(value, []).append(code)
    only = next(iter(codes))
    return only if len(codes) == 1 and only is not None else codes


def _choice(value: Mapping[str | None, Sequence[str]]) -> str:
    *others, (last, _) = sorted(value.items(), key=lambda one: len(one[1]))
    expression = "{}" if last is None else quoted(last)
    for content, codes in others:
        expression = f"iif({is_one_of(codes)}, {'{}' if content is None else quoted(content)}, {expression})"
    return expression


def is_one_of(codes: Iterable[str]) -> str:
    """The FHIRPath on a Coding that is true of these codes."""
    return " or ".join(f"code={quoted(code)}" for code in sorted(codes))


def copied(*names: str) -> Json:
    """Primitives of the element that the context stands for."""
    return {f"_{name}": valued(name) for name in names}


class Variants:
    """The choices of some questions, and what is built for each."""

    def __init__(self, questions: Mapping[str, Question], build: Callable[[Choice], Json]) -> None:
        self.questions = questions
        names = list(questions)
        self.choices = [
            dict(zip(names, one, strict=True)) for one in product(*(q.options for q in questions.values()))
        ]
        self.built = [build(choice) for choice in self.choices]

    def elements(self, pick: Callable[[Json], Sequence[Json]]) -> list[Json]:
        """Every element that is picked of some choice, in the order of the choices, under its condition.

        What is the last wherever it stands (our own coding) comes after all others.
        """
        found: dict[bytes, tuple[Json, list[int]]] = {}
        not_last = set()
        for number, built in enumerate(self.built):
            picked = [dumps(element) for element in pick(built)]
            for key, element in zip(picked, pick(built), strict=True):
                found.setdefault(key, (element, []))[1].append(number)
            not_last.update(picked[:-1])
        return [
            element if len(having) == len(self.built) else only_where(self._condition(having), element)
            for _, (element, having) in sorted(found.items(), key=lambda one: one[0] not in not_last)
        ]

    def text(self, pick: Callable[[Json], str | None]) -> Json:
        """``text`` and what stands beside it: the words of each choice."""
        found: dict[str, list[int]] = {}
        for number, built in enumerate(self.built):
            if (words := pick(built)) is not None:
                found.setdefault(words, []).append(number)
        if not found:
            return {}
        if len(found) == 1 and len(next(iter(found.values()))) == len(self.built):
            return {"text": next(iter(found))}
        expression = "{}"
        for words, having in reversed(found.items()):
            expression = f"iif({self._condition(having)}, {quoted(words)}, {expression})"
        return {"_text": valued(expression)}

    def _condition(self, having: Sequence[int]) -> str:
        """True of these choices and of no other, by the questions alone on which it depends."""
        chosen = {tuple(self.choices[number].items()) for number in having}
        names = [name for name in self.questions if self._depends(name, chosen)]
        kept = {tuple((name, option) for name, option in one if name in names) for one in chosen}
        if len(names) == 1:
            (name,) = names
            return self.questions[name].holds([option for ((_, option),) in kept])
        every = sorted(kept, key=str)
        return " or ".join(
            "(" + " and ".join(self.questions[name].holds([option]) for name, option in one) + ")" for one in every
        )

    def _depends(self, name: str, chosen: set[tuple[tuple[str, str | None], ...]]) -> bool:
        for one in chosen:
            for option in self.questions[name].options:
                if tuple((n, option if n == name else o) for n, o in one) not in chosen:
                    return True
        return False
