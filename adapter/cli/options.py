"""What several commands share: options, loading the catalogue, writing output whole or not at all."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from adapter.cli.log import note, tell
from adapter.problems import ExitCode, Problem

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue

F = TypeVar("F", bound=Callable[..., Any])


def _folder_of(_context: click.Context, _option: click.Parameter, given: Path | None) -> Path | None:
    return None if given is None else folder_of(given)


def folder_of(given: Path) -> Path:
    """The folder that was named, or that of the shipped pack of this name."""
    if given.exists():
        return given
    from adapter.catalogue import packs

    return Path(str(packs().get(str(given), given)))


def site_option(command: F) -> F:
    """``--site DIR``: a site's own folder laid over the shipped catalogue."""
    return click.option(
        "--site",
        type=click.Path(path_type=Path, file_okay=False),
        envvar="NEWBORN_ADAPTER_SITE",
        show_envvar=True,
        callback=_folder_of,
        help="A site's own folder, laid over the shipped catalogue; or a shipped national pack by name: us-core.",
    )(command)


def nothing_read() -> ExitCode:
    """The exit code of a command that was given nothing to do, which it says: an empty folder is no success."""
    note("Nothing was read: the inputs hold no exam and no resource.")
    return ExitCode.PROBLEMS


def catalogue_for(site: Path | None, base: Path | None = None, *, to_look_at: bool = False) -> Catalogue:
    """The catalogue, over another version's ``mappings/`` where ``base`` names it; or exit code 2 after saying what
    is wrong with it.

    A site's folder that speaks of what is nowhere (a source, an item, an answer that does not exist) is not worked
    with either, but may be looked at: an exam must not be the first to find out.
    """
    from adapter.catalogue import CatalogueError, load_catalogue

    try:
        catalogue = load_catalogue(site, base)
    except CatalogueError as error:
        problems = error.problems
    else:
        problems = [] if site is None or to_look_at else _leading_nowhere(catalogue)
        if not problems:
            return catalogue
    for problem in problems:
        tell(problem)
    note("The catalogue cannot be used; nothing was done.")
    sys.exit(ExitCode.USAGE)


def _leading_nowhere(catalogue: Catalogue) -> list[Problem]:
    from adapter.catalogue.lint import lint

    return [problem for problem in lint(catalogue) if problem.rule == "unknown-reference"]


def write_output(out: Path | None, content: bytes, *, public: bool = False) -> None:
    """To a file, or to standard output where none is named; exit code 2 where it cannot be written.

    A file is for its owner alone, unless it is ``public``: about nobody.
    """
    from adapter.files.whole import write

    if out is None:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
        return
    try:
        write(out, content, public=public)
    except OSError as error:
        raise click.UsageError(f"{out} cannot be written: {error.strerror}") from None
