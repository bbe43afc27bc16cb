"""``newborn-adapter validate``: any FHIR R4 file, ours or not."""

from __future__ import annotations

import glob
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

import click

from adapter.cli.many import are_many, many_options, run_many
from adapter.cli.reading import expanded
from adapter.problems import ExitCode, Problem, Severity
from adapter.run import BulkError, stream
from adapter.run.validate import PROBLEMS, Validate, problem_of
from adapter.validate import ALL, Loaded, PackageError, Validator, load_packages, operation_outcome, read_resources
from adapter.validate.pipelines import junit, sarif

FORMS = ("text", "json", "jsonl", "junit", "sarif")
_FAILING = {
    "error": (Severity.FATAL, Severity.ERROR),
    "warning": (Severity.FATAL, Severity.ERROR, Severity.WARNING),
    "information": tuple(Severity),
    "never": (),
}


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, allow_dash=True))
@click.option(
    "--layer",
    "layers",
    multiple=True,
    type=click.Choice([layer.value for layer in ALL]),
    help="Only this layer; may be repeated. Default: all.",
)
@click.option(
    "--package",
    "packages",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="A site's FHIR package (npm-style .tgz, or a folder of JSON files); may be repeated.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMS),
    default="text",
    show_default=True,
    help="text for people; json is an OperationOutcome, jsonl one problem a line, junit and sarif for pipelines.",
)
@click.option(
    "--fail-on", type=click.Choice(list(_FAILING)), default="error", show_default=True, help="When to exit with 1."
)
@click.option("--summary", is_flag=True, help="Count the problems by rule instead of listing them.")
@click.option("--excerpt/--no-excerpt", default=None, help="Show the source. Default: at a terminal only.")
@click.option("--second-opinion", is_flag=True, help="Ask the models of fhir.resources (R4B) too; slower.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A file for the problems, a line of JSON for each resource that has any. It can be interrupted.",
)
@many_options
def validate(
    files: tuple[Path, ...],
    layers: tuple[str, ...],
    packages: tuple[Path, ...],
    form: str,
    fail_on: str,
    summary: bool,
    excerpt: bool | None,
    second_opinion: bool,
    out: Path | None,
    jobs: int | None,
    quiet: bool,
) -> None:
    """Validate FHIR R4 JSON, XML or NDJSON, plain or gzipped: files, folders, patterns, or - for standard input.

    \b
    Example:
      newborn-adapter validate bundle.json
      newborn-adapter validate bundles/ --layer structure --layer bundle
      newborn-adapter validate bundles/ --summary --fail-on never
      newborn-adapter validate bundles/ --out problems.ndjson

    Folders and NDJSON of any size are spread over all processors, but where the source is shown. No file is ever
    fetched: profiles come from the packages that are named. A newborn's data can stand in the excerpts of the
    source, and nowhere else in the report.
    """
    chosen = tuple(layer for layer in ALL if not layers or layer.value in layers)
    try:
        validator = Validator(chosen, load_packages(packages), second_opinion)
    except PackageError as error:
        raise click.UsageError(str(error)) from None
    paths = list(_named(files))
    if out is not None:
        work = Validate(chosen, packages, second_opinion)
        tally = run_many(work, paths, out, jobs, quiet).tally
        _say(tally.read, Counter({severity: tally.of(severity) for severity in Severity}))
        sys.exit(ExitCode.PROBLEMS if tally.of(*_FAILING[fail_on]) else ExitCode.WELL)
    with_source = form == "text" and not summary and (sys.stdout.isatty() if excerpt is None else excerpt)
    writer = _Summary() if summary else _WRITERS[form]()
    failing, count = False, 0
    totals: Counter[Severity] = Counter()
    alone = with_source or Path("-") in files or not (jobs or are_many(paths))
    every = Validate(chosen, packages, second_opinion, every=True)
    for loaded, problems in _checked(paths, validator) if alone else _spread(paths, every, jobs):
        count += 1
        totals.update(problem.severity for problem in problems)
        failing |= any(problem.severity in _FAILING[fail_on] for problem in problems)
        writer.add(loaded, problems, loaded.excerpt if with_source else None)
    writer.end()
    if form == "text":
        _say(count, totals)
    sys.exit(ExitCode.PROBLEMS if failing else ExitCode.WELL)


def _say(count: int, totals: Counter[Severity]) -> None:
    counted = ", ".join(f"{totals[s]} {s.value}{'s' * (totals[s] != 1)}" for s in Severity if totals[s])
    click.echo(f"{count} resources read: {counted or 'no problems'}.")


def _checked(paths: list[Path], validator: Validator) -> Iterator[tuple[Loaded, list[Problem]]]:
    for path in expanded(tuple(paths)):
        name = "standard input" if str(path) == "-" else str(path)
        for loaded in read_resources(sys.stdin.buffer if str(path) == "-" else path, name):
            yield loaded, validator.check(loaded)


def _spread(paths: list[Path], work: Validate, jobs: int | None) -> Iterator[tuple[Loaded, list[Problem]]]:
    """The same over several processes, in the same order, without the source."""
    try:
        for _, folder in stream(work, paths, jobs=jobs):
            with (folder / PROBLEMS).open("rb") as file:
                for entry in map(json.loads, file):
                    problems = [problem_of(fields) for fields in entry["problems"]]
                    yield Loaded(None, problems, entry["file"], entry.get("line")), problems
    except BulkError as error:
        raise click.UsageError(str(error)) from None


def _named(files: tuple[Path, ...]) -> Iterator[Path]:
    """The files and folders that are meant: patterns are filled in."""
    for path in files:
        if str(path) == "-" or path.exists():
            yield path
            continue
        found = sorted(map(Path, glob.glob(str(path), recursive=True))) if glob.has_magic(str(path)) else []  # noqa: PTH207
        if not found:
            raise click.UsageError(f"there is no file {path}")
        yield from found


Excerpt = Callable[[Problem], str] | None


class _Text:
    """For people, as it comes."""

    def add(self, loaded: Loaded, problems: list[Problem], excerpt: Excerpt) -> None:
        for problem in problems:
            click.echo(str(problem))
            source = excerpt(problem) if excerpt else ""
            if source:
                click.echo(source)

    def end(self) -> None:
        """Nothing is left to say."""


class _Lines(_Text):
    """One JSON object a problem, as it comes."""

    def add(self, loaded: Loaded, problems: list[Problem], excerpt: Excerpt) -> None:
        for problem in problems:
            fields = {name: value for name, value in asdict(problem).items() if value not in ("", None)}
            click.echo(json.dumps(fields, ensure_ascii=False))


class _Summary(_Text):
    """How often each rule was broken, the most frequent first."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str]] = Counter()
        self.first: dict[tuple[str, str], Problem] = {}

    def add(self, loaded: Loaded, problems: list[Problem], excerpt: Excerpt) -> None:
        for problem in problems:
            key = (problem.severity.value, problem.rule)
            self.counts[key] += 1
            self.first.setdefault(key, problem)

    def end(self) -> None:
        for (severity, rule), count in self.counts.most_common():
            click.echo(f"{count:>8}  {severity:<11}  {rule:<26}  {self.first[severity, rule].what}")


class _Gathered(_Text):
    """A form that is one document: all problems are kept until the end."""

    def __init__(self) -> None:
        self.results: dict[str, list[Problem]] = {}

    def add(self, loaded: Loaded, problems: list[Problem], excerpt: Excerpt) -> None:
        name = f"{loaded.file}:{loaded.line}" if loaded.line else loaded.file
        self.results.setdefault(name, []).extend(problems)

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


_WRITERS: dict[str, Callable[[], _Text]] = {
    "text": _Text,
    "json": _Outcome,
    "jsonl": _Lines,
    "junit": _Junit,
    "sarif": _Sarif,
}
