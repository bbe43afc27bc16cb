"""The problems of resources as ``validate`` writes them to standard output."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable

import click

from adapter.problems import Problem
from adapter.run.rejects import problem_fields
from adapter.run.validate import Validated
from adapter.validate import operation_outcome
from adapter.validate.pipelines import junit, sarif


class Text:
    """For people, as it comes."""

    def add(self, one: Validated) -> None:
        for problem, excerpt in zip(one.problems, one.excerpts, strict=True):
            click.echo(str(problem))
            if excerpt:
                click.echo(excerpt)

    def end(self) -> None:
        """Nothing is left to say."""


class _Lines(Text):
    """One JSON object a problem, as it comes."""

    def add(self, one: Validated) -> None:
        for problem in one.problems:
            click.echo(json.dumps(problem_fields(problem), ensure_ascii=False))


class Summary(Text):
    """How often each rule was broken, the most frequent first."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str]] = Counter()
        self.first: dict[tuple[str, str], Problem] = {}

    def add(self, one: Validated) -> None:
        for problem in one.problems:
            key = (problem.severity.value, problem.rule)
            self.counts[key] += 1
            self.first.setdefault(key, problem)

    def end(self) -> None:
        for (severity, rule), count in self.counts.most_common():
            click.echo(f"{count:>8}  {severity:<11}  {rule:<26}  {self.first[severity, rule].what}")


class _Gathered(Text):
    """A form that is one document: all problems are kept until the end."""

    def __init__(self) -> None:
        self.results: dict[str, list[Problem]] = {}

    def add(self, one: Validated) -> None:
        name = f"{one.file}:{one.line}" if one.line else one.file
        self.results.setdefault(name, []).extend(one.problems)

    @property
    def problems(self) -> list[Problem]:
        return [problem for problems in self.results.values() for problem in problems]


class _Outcome(_Gathered):
    def end(self) -> None:
        click.echo(json.dumps(operation_outcome(self.problems), indent=2, ensure_ascii=False))


class _Sarif(_Gathered):
    def end(self) -> None:
        click.echo(json.dumps(sarif(self.problems), indent=2, ensure_ascii=False))


class _Junit(_Gathered):
    def end(self) -> None:
        click.echo(junit(self.results).decode())


WRITERS: dict[str, Callable[[], Text]] = {
    "text": Text,
    "json": _Outcome,
    "jsonl": _Lines,
    "junit": _Junit,
    "sarif": _Sarif,
    "summary": Summary,
}
