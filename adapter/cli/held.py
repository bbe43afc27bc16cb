"""``newborn-adapter held``: which extracts held an exam that was retracted or amended later."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapter.cli.options import catalogue_for, site_option
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.read import Reading

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("exams", nargs=-1, required=True)
@click.option(
    "--in",
    "folders",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="The folder of an extract; several times for several.",
)
@click.option("--key-file", type=_FILE, help="The key of those that were de-identified.")
@click.option("--key-env", metavar="NAME", help="The environment variable that holds it.")
@site_option
def held(
    exams: tuple[str, ...], folders: tuple[Path, ...], key_file: Path | None, key_env: str | None, site: Path | None
) -> None:
    """Say which extracts hold an exam: whoever has one of them must hear when the exam was retracted.

    EXAMS are ids as first recorded, or files that hold the amendment or the retraction. Of an extract that was
    de-identified the key finds the pseudonym. Exit code 1 where any extract holds any of them.

    \b
    Example:
      newborn-adapter extract exam.json --out study/
      newborn-adapter held W3-0417 --in study/
    """
    from adapter.run.held import held_in
    from adapter.write.deidentify import pseudonym_of_exam, read_key

    roots = {root: root for root in _roots(exams, site)}
    if key_file is not None or key_env is not None:
        key = read_key(key_file, key_env)
        roots |= {pseudonym_of_exam(root, key): root for root in tuple(roots.values())}
    found = 0
    for folder in folders:
        for name in held_in(folder, frozenset(roots)):
            found += 1
            click.echo(f"{folder} holds {roots[name]}" + ("" if name == roots[name] else f" as {name}"))
    if not found:
        click.echo("None of them holds any of these exams.")
    sys.exit(ExitCode.PROBLEMS if found else ExitCode.WELL)


def _root(reading: Reading) -> str:
    if reading.exam is not None:
        return reading.exam.details.root
    return (reading.version.first or reading.version.amends or "") if reading.version else ""


def _roots(exams: tuple[str, ...], site: Path | None) -> list[str]:
    """The ids as first recorded, those of files read from them, refused or not."""
    from adapter.read import read

    found = []
    for exam in exams:
        path = Path(exam)
        if not path.is_file():
            found.append(exam)
            continue
        named = [_root(r) for r in read(path, catalogue_for(site))]
        if not any(named):
            raise click.UsageError(f"{path} names no exam")
        found += [root for root in named if root]
    return found
