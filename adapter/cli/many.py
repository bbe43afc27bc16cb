"""What the commands share that may get many exams: their options, a run with its progress, and what is said of it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from adapter.cli.reporting import note
from adapter.run import BulkError, Summary, Work, run

F = TypeVar("F", bound=Callable[..., Any])

_MANY = (".ndjson", ".jsonl")
_LARGE = 8 * 1024 * 1024


def many_options(command: F) -> F:
    """``--jobs`` and ``--quiet``."""
    command = click.option("--quiet", is_flag=True, help="No word of progress.")(command)
    return click.option(
        "--jobs",
        type=click.IntRange(min=1),
        help="So many processes at once. Default: every processor, where there is more than a little to do.",
    )(command)


def are_many(files: Sequence[Path]) -> bool:
    """Whether the inputs may hold any number of exams: folders, NDJSON, what is packed, what is large."""
    return any(
        path.is_dir()
        or path.name.lower().removesuffix(".gz").endswith(_MANY)
        or path.suffix.lower() == ".gz"
        or (path.is_file() and path.stat().st_size > _LARGE)
        for path in files
    )


def run_many(work: Work, files: Sequence[Path], out: Path, jobs: int | None, quiet: bool) -> Summary:
    """A run to its end; exit code 2 with the reason where it cannot begin or go on."""
    if any(str(path) == "-" for path in files):
        raise click.UsageError("standard input cannot be gone back to: name a file")
    try:
        summary = run(work, files, out, jobs=jobs, progress=None if quiet else sys.stderr)
    except BulkError as error:
        raise click.UsageError(str(error)) from None
    except KeyboardInterrupt:
        note("\nInterrupted. What is finished is kept: the same command goes on from there.")
        raise
    for problem in summary.shown:
        note(str(problem))
    if summary.rejected is not None:
        note(f"What was refused, and why: {summary.rejected}/problems.ndjson")
    return summary
