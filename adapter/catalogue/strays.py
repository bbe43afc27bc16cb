"""What lies in a site's folder and is not read, though its name says that it was meant to be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from adapter.catalogue.files import leads_back
from adapter.problems import Layer, Problem, Severity

_TABLES = ("codes.csv", "chosen_codes.csv", "terminology-proof.json")
_ENDINGS = {".txt": "", ".json": ".yaml", ".yml": ".yaml"}
"""What editors and habit put at the end of a name, and what belongs there."""


def strays(site: Path, lists: Sequence[str], folders: Sequence[str]) -> Iterator[Problem]:
    """Names that are nearly those of the catalogue's files (``lists`` in YAML) and ``folders``, a folder in the place
    of a file or a file in that of a folder, and links that lead back into their own folder. Hidden files and an
    editor's copies are nobody's business."""
    files = {*_TABLES, *(f"{name}.yaml" for name in lists)}
    known = {*files, *(name.rstrip("/") for name in folders)}
    entries = [one for one in sorted(site.iterdir()) if not (one.name.startswith(".") or one.name.endswith("~"))]
    if entries and not any(_meant(one.name) in known or one.name.endswith(".yaml") for one in entries):
        yield _problem(
            "site.yaml", "is not there, nor any other file of a site", "the folder that holds the site's site.yaml"
        )
    for entry in entries:
        name = entry.name
        if name in known and entry.exists() and (name in files) == entry.is_dir():
            is_one, wanted = ("a file", "folder") if name not in files else ("a folder", "file")
            yield _problem(name, f"is {is_one}", f"a {wanted} of that name")
        elif name not in known and (meant := _meant(name)) in known and name != meant.replace(".yaml", ".yml"):
            yield _problem(name, "is not read under this name", meant)
        for inner in (entry, *(entry.iterdir() if entry.is_dir() and name in known else ())):
            if leads_back(inner):
                yield _problem(
                    str(inner.relative_to(site)), "leads back into this folder", "no link, or one elsewhere"
                )


def _meant(name: str) -> str:
    """The name in small letters, with the ending that the catalogue's files have."""
    found = name.lower()
    for ending, right in _ENDINGS.items():
        if found.endswith(ending) and found != "terminology-proof.json":
            found = found.removesuffix(ending) + right
    return found


def _problem(file: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.ERROR, Layer.CATALOGUE, "wrong-file", what, remedy, file=file)
