"""``newborn-adapter package``: the terminology and the profiles as a FHIR package."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapter.cli.log import note, tell
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reading import invented
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue
    from adapter.exam import Exam


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="The archive (.tgz), or a folder for its files; without it, an archive named after package and version.",
)
@click.option(
    "--examples/--no-examples", default=True, show_default=True, help="With the invented exams as examples."
)
@site_option
def package(out: Path | None, examples: bool, site: Path | None) -> None:
    """Write the catalogue as an npm-style FHIR R4 package, for servers and validators.

    Code systems of what is ours, value sets, concept maps to LOINC and SNOMED CT, profiles and extensions of what is
    emitted, questionnaires, what a server needs. The same catalogue gives the same bytes.

    \b
    Example:
      newborn-adapter package --out newborn.tgz
      newborn-adapter validate --package newborn.tgz bundle.json
    """
    from adapter.catalogue.lint import lint
    from adapter.write.package import archived, package_files

    catalogue = catalogue_for(site)
    problems = lint(catalogue)
    if problems:
        for problem in problems:
            tell(problem)
        note("No package is made of a catalogue with problems.")
        sys.exit(ExitCode.PROBLEMS)
    files = package_files(catalogue, _exams(catalogue) if examples else ())
    version = _version(files)
    target = out or Path(f"{catalogue.settings.package}-{version}.tgz")
    if target.is_dir() or not target.suffix:
        _write_folder(target, files)
    else:
        write_output(target, archived(files), public=True)
    note(f"{target}: {catalogue.settings.package} {version}, {len(files)} files.")


def _version(files: dict[str, bytes]) -> str:
    """The version that the package says it has."""
    return str(json.loads(files["package/package.json"])["version"])


def _exams(catalogue: Catalogue) -> list[Exam]:
    """The invented exams that this catalogue takes."""
    from adapter.read import read

    found = (reading for path in invented("captures") for reading in read(path, catalogue, name=path.name))
    return [reading.exam for reading in found if reading.exam is not None and reading.accepted]


def _write_folder(folder: Path, files: dict[str, bytes]) -> None:
    for name, content in files.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise click.UsageError(f"{path.parent} cannot be made: {error.strerror}") from None
        write_output(path, content, public=True)
