"""The files of ``mappings/`` and of a site's folder, and what a mapping in them is (``strict_yaml`` reads them)."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

READERS = tuple((path.name, path) for path in (Path(__file__), Path(__file__).with_name("strict_yaml.py")))
"""The code on which depends what a file of YAML is read as."""


class Node(dict[str, Any]):
    """A YAML mapping that remembers where it began, and the line of each key that its file gives."""

    file: str = ""
    line: int = 0

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.lines: dict[str, int] = {}


def entries(content: Any) -> list[dict[str, Any]]:
    """The mappings of a list; what is no list or no mapping is for the types to refuse."""
    return [entry for entry in content if isinstance(entry, dict)] if isinstance(content, list) else []


def mappings() -> Any:
    """The folder of the shipped catalogue: inside the wheel, or beside the package in a checkout."""
    shipped = files("adapter") / "_mappings"
    return shipped if shipped.is_dir() else Path(str(files("adapter"))).parent / "mappings"


def yaml_files(folder: Any) -> Iterator[tuple[str, Any]]:
    """Every YAML file of a catalogue folder, as (name relative to the folder, path), in name order."""
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.is_dir():
            yield from ((f"{entry.name}/{name}", path) for name, path in yaml_files(entry))
        elif entry.name.endswith((".yaml", ".yml")):
            yield entry.name, entry
