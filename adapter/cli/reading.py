"""Capture files named on the command line, read through the library."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from importlib.resources import files as package_files
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from adapter.cli.log import note, tell
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue
    from adapter.read import Reading
    from adapter.read.plan import Plan

F = TypeVar("F", bound=Callable[..., Any])


def invented(folder: str) -> list[Any]:
    """The invented capture files of a folder of examples: inside the wheel, or beside the package in a checkout."""
    shipped = package_files("adapter") / "_examples"
    examples = shipped if shipped.is_dir() else Path(str(package_files("adapter"))).parent / "examples"
    found = (path for path in (examples / folder).iterdir() if path.name.endswith(".json"))
    return sorted(found, key=lambda path: path.name)


def capture_arguments(command: F) -> F:
    """``FILE...`` and ``--columns``."""
    file = click.Path(path_type=Path, allow_dash=True)
    return plan_option(click.argument("files", nargs=-1, required=True, type=file)(command))


def plan_option(command: F) -> F:
    """``--columns``."""
    return click.option(
        "--columns",
        "plan",
        type=click.Path(path_type=Path, exists=True, dir_okay=False),
        help="A column plan (YAML), where the files are tables of any other form: CSV, TSV or XLSX.",
    )(command)


def readings(files: tuple[Path, ...], plan: Path | None, catalogue: Catalogue) -> Iterator[Reading]:
    """Every exam of every file; exit code 2 where a file is not there or the plan cannot be used."""
    for path in files:
        if str(path) != "-" and not path.exists():
            raise click.UsageError(f"there is no file {path}")
    from adapter.read import read

    loaded = None if plan is None else usable_plan(plan, files, catalogue)
    yield from read((sys.stdin.buffer if str(path) == "-" else path for path in files), catalogue, loaded)


def usable_plan(plan: Path, files: tuple[Path, ...], catalogue: Catalogue) -> Plan:
    """The plan, after saying which columns of the tables it leaves unread; exit code 2 where it cannot be used."""
    from adapter.read.plan import load_plan, unread_columns

    loaded, problems = load_plan(plan, catalogue)
    for problem in problems:
        tell(problem)
    if loaded is None or problems:
        note("The plan cannot be used; nothing was read.")
        sys.exit(ExitCode.USAGE)
    for path in expanded(files):
        unread = unread_columns(path, loaded)
        if unread:
            note(f"{path}: the plan leaves unread: {', '.join(unread)}")
    return loaded


def plan_said(plan: Path | None, files: tuple[Path, ...], catalogue: Catalogue) -> None:
    """Say what is wrong with a plan and what it leaves unread; exit code 2 where it cannot be used."""
    if plan is not None:
        usable_plan(plan, files, catalogue)


def expanded(files: tuple[Path, ...]) -> Iterator[Path]:
    """Folders stand for the files in them, in name order."""
    from adapter.read.inputs import files_in

    for path in files:
        yield from files_in(path) if path.is_dir() else (path,)
