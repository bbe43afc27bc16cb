"""The files of ``mappings/`` and of a site's folder, and what a mapping in them is (``strict_yaml`` reads them)."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from adapter.errors import AdapterError

MOST = 16 * 1024 * 1024
"""Bytes that one file of the catalogue may have: a hundred times the longest that is shipped."""
READERS = tuple((path.name, path) for path in (Path(__file__), Path(__file__).with_name("strict_yaml.py")))
"""The code on which depends what a file of YAML is read as."""


class Node(dict[str, Any]):
    """A YAML mapping that remembers where it began, and the line of each key that its file gives."""

    file: str = ""
    line: int = 0

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.lines: dict[str, int] = {}


class UnreadableFile(AdapterError, ValueError):
    """A file that is no text that the catalogue can be read from: ``line`` where that is known, and what would be
    right."""

    def __init__(self, what: str, remedy: str, line: int | None = None) -> None:
        super().__init__(what)
        self.remedy, self.line = remedy, line


def text_of(path: Any) -> str:
    """The text of a file, without the byte order mark that spreadsheets write. Raises :class:`UnreadableFile`."""
    if path.exists() and not path.is_file():
        raise UnreadableFile("is no plain file", "a file, or a link to one")
    try:
        with path.open("rb") as file:
            data = file.read(MOST + 1)
    except OSError as error:
        raise UnreadableFile(f"cannot be read: {error.strerror}", "a file that this user may read") from None
    if len(data) > MOST:
        raise UnreadableFile(f"is longer than {MOST // 1024**2} MB", "at most so many MB a file")
    try:
        return str(data, "utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise UnreadableFile("is not UTF-8", "text saved as UTF-8", line) from None


def entries(content: Any) -> list[dict[str, Any]]:
    """The mappings of a list; what is no list or no mapping is for the types to refuse."""
    return [entry for entry in content if isinstance(entry, dict)] if isinstance(content, list) else []


def mappings() -> Any:
    """The folder of the shipped catalogue: inside the wheel, or beside the package in a checkout."""
    shipped = files("adapter") / "_mappings"
    return shipped if shipped.is_dir() else Path(str(files("adapter"))).parent / "mappings"


def yaml_files(folder: Any) -> Iterator[tuple[str, Any]]:
    """Every YAML file of a catalogue folder, as (name relative to the folder, path), in name order; no hidden one."""
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.name.startswith(".") or leads_back(entry):
            continue
        if entry.is_dir():
            yield from ((f"{entry.name}/{name}", path) for name, path in yaml_files(entry))
        elif entry.name.endswith((".yaml", ".yml")):
            yield entry.name, entry


def leads_back(entry: Any) -> bool:
    """Whether it is a link to a folder that it lies in, so that following it would never end."""
    if not (isinstance(entry, Path) and entry.is_symlink() and entry.is_dir()):
        return False
    return entry.parent.resolve().is_relative_to(entry.resolve())
