"""Taking what a person chose among candidates into a site's folder, all of it or nothing."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from adapter.catalogue.chosen import COLUMNS, FILE, ChosenCode, chosen_rows
from adapter.catalogue.lint import lint
from adapter.catalogue.load import CatalogueError, load_catalogue
from adapter.problems import Layer, Problem, Severity


def choose(table: Path, site: Path) -> tuple[int, list[Problem], bytes]:
    """How many codes of a table of candidates are chosen and new, what is wrong with them, and the site's new file.

    What is wrong is what the catalogue with them has against it, and the site as it is has not.
    """
    try:
        chosen = chosen_rows(table.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        what = error.strerror or "cannot be read" if isinstance(error, OSError) else str(error)
        remedy = "the CSV of `terminology candidates`, the column fit filled in"
        return 0, [Problem(Severity.ERROR, Layer.CATALOGUE, "chosen-codes", what, remedy, file=str(table))], b""
    kept = (site / FILE).read_text(encoding="utf-8") if (site / FILE).exists() else ""
    try:
        before, known = lint(load_catalogue(site)), chosen_rows(kept) if kept else ()
    except CatalogueError as error:
        return 0, error.problems, b""
    new = [one for one in dict.fromkeys(chosen) if one not in known]
    content = _written([*known, *new])
    with TemporaryDirectory() as folder:
        copy = Path(folder) / site.resolve().name
        shutil.copytree(site, copy)
        (copy / FILE).write_bytes(content)
        try:
            after = lint(load_catalogue(copy))
        except CatalogueError as error:
            after = error.problems
    return len(new), [problem for problem in after if problem not in before], content


def _written(rows: Sequence[ChosenCode]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in rows:
        said = one.model_dump() | {"global_patient_set": "yes" if one.global_patient_set else ""}
        writer.writerow(said[name] for name in COLUMNS)
    return out.getvalue().encode()
