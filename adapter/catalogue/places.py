"""Where what the catalogue says stands: file and line, for messages to whoever edits it.

A place is a path of names: ``("items", "murmur", "answers", "loud")``, ``("settings", "policy", "date")``,
``("reasons", "refused")``, ``("local_codes", "items", "murmur")``. What a site's folder says is looked for there
first, as near as it goes; words in the labels of its language.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from adapter.catalogue.files import Node, entries

WORDS = ("label", "within", "how", "caution", "reason", "no_standard_code", "below", "above")
"""The fields that hold words, which a labels file may replace."""

Step = str | int


class Stand(NamedTuple):
    """A file by its name in the folder, and a line of it; 0 where only the file is known."""

    file: str
    line: int


@dataclass(frozen=True)
class Places:
    """Both trees as they were read, one not yet laid over the other; the shipped one only once it is asked for."""

    shipped_by: Callable[[], Mapping[str, Any]]
    site: Mapping[str, Any] = field(default_factory=dict)
    language: str | None = None
    drafts: Mapping[str, Any] | None = None

    def find(self, *path: Step, says: str = "") -> Stand | None:
        """Where a path stands, or as much of it as there is: in the site's folder, else in what is shipped.

        ``says``: a word in it that is meant, wherever in the path's content it stands.
        """
        return (
            self.of_site(*path, says=says)
            or _worded(self.drafts, path)
            or _found(self.shipped_by(), self._shipped_items, path, says)
        )

    def of_site(self, *path: Step, says: str = "") -> Stand | None:
        """The same in the site's folder alone; None where it says nothing of it."""
        words = self.site.get("labels", {}).get(self.language)
        return _worded(words, path) or _found(self.site, self._site_items, path, says)

    def says_site(self, *path: Step) -> bool:
        """Whether the site's folder has the whole path of an entry of a list."""
        head, name, *rest = path
        content = self.site.get(str(head))
        entry = _entry(content, name) if isinstance(content, list) else None
        return _walked(entry, rest, whole=True) is not None

    @cached_property
    def _shipped_items(self) -> Mapping[str, Any]:
        return _items(self.shipped_by())

    @cached_property
    def _site_items(self) -> Mapping[str, Any]:
        return _items(self.site)


def _worded(words: Any, path: Sequence[Step]) -> Stand | None:
    """Where a labels file says the words of a path."""
    if words is None or path[-1] not in WORDS:
        return None
    said = path[:-1] if path[-1] == "label" else path
    return _walked(words, said, whole=True) or _walked(words, path, whole=True)


def _items(tree: Mapping[str, Any]) -> dict[str, Any]:
    regions = tree.get("regions", {}).values()
    return {str(item.get("id")): item for region in regions for item in entries(region.get("items"))}


def _found(tree: Mapping[str, Any], items: Mapping[str, Any], path: Sequence[Step], says: str) -> Stand | None:
    head, *rest = path
    if head == "local_codes":
        part, *name = rest
        holding = (e for e in entries(tree.get(head)) if not name or name[0] in (e.get(str(part)) or {}))
        return _walked(next(holding, None), rest, says)
    if head == "items" and rest:
        return _walked(items.get(str(rest[0])), rest[1:], says)
    content = tree.get(str(head))
    if isinstance(content, list) and rest:
        return _walked(_entry(content, rest[0]), rest[1:], says)
    if head in ("regions", "growth", "labels", "words") and rest:
        return _walked((content or {}).get(rest[0]), rest[1:], says)
    return _walked(content, rest, says)


def _walked(node: Any, path: Sequence[Step], says: str = "", *, whole: bool = False) -> Stand | None:
    """Down from an entry; ``whole``: None where the path ends before its last step."""
    if not isinstance(node, Node):
        return None
    stand = Stand(node.file, node.line)
    for step in path:
        if isinstance(node, Node) and step in node:
            stand, node = Stand(stand.file, node.lines.get(str(step), node.line)), node[str(step)]
        elif isinstance(node, list) and (entry := _entry(node, step)) is not None:
            node = entry
        elif whole:
            return None
        else:
            break
        if isinstance(node, Node):
            stand = Stand(stand.file, node.line)
    line = _saying(node, says) if says else None
    return stand if line is None else Stand(stand.file, line)


def _saying(node: Any, word: str) -> int | None:
    """The line of the key under which a word stands, as a key, a value, or the beginning of a value (a code)."""
    if isinstance(node, list):
        return next((line for entry in node if (line := _saying(entry, word)) is not None), None)
    if not isinstance(node, Node):
        return None
    for key, value in node.items():
        if key == word or any(f"{one} ".startswith(f"{word} ") for one in _scalars(value)):
            return node.lines.get(key)
        found = _saying(value, word)
        if found is not None:
            return found
    return None


def _scalars(value: Any) -> Iterator[Any]:
    """A value, or those of its list and of the lists in that."""
    if isinstance(value, list):
        for one in value:
            yield from _scalars(one)
    elif not isinstance(value, dict):
        yield value


def _entry(content: list[Any], name: Step) -> Any:
    if isinstance(name, int):
        return content[name] if name < len(content) else None
    return next((entry for entry in entries(content) if str(entry.get("id", entry.get("ucum"))) == name), None)
