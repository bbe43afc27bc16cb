"""Where in a file an element stands: line and column in JSON, the line in XML.

Only asked where there is something to report. JSON is scanned along the ways that lead to the wanted elements, all
else is skipped by the parser; XML is parsed once more. Of an element that is not there the place of what should
hold it is told.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from contextlib import suppress
from json.decoder import JSONDecodeError, JSONDecoder, scanstring  # type: ignore[attr-defined]

from lxml import etree

Place = tuple[int, int | None]  # line and column, both from 1

_STEP = re.compile(r"\.([^.\[\]]+)|\[(\d+)\]")
_MARK = re.compile(r'["{}\[\]]')
_SPACE = re.compile(r"[ \t\n\r]*")
_LINE_END = re.compile(r"\n")


class _Tree:
    """The wanted elements: steps to subtrees, and the names (``where``) that end here."""

    def __init__(self) -> None:
        self.branches: dict[str | int, _Tree] = {}
        self.ends: list[str] = []

    @classmethod
    def of(cls, wheres: Iterable[str]) -> _Tree:
        root = cls()
        for where in wheres:
            node = root
            for name, index in _STEP.findall(where):
                node = node.branches.setdefault(name or int(index), cls())
            node.ends.append(where)
        return root

    def all_ends(self) -> Iterator[str]:
        yield from self.ends
        for branch in self.branches.values():
            yield from branch.all_ends()


def locate_json(text: str, wheres: Iterable[str]) -> dict[str, Place]:
    """Line and column of each place (``Patient.name[0].family``) in the JSON text of a resource.

    Text that is no JSON gives nothing.
    """
    found: dict[str, int] = {}
    with suppress(JSONDecodeError, IndexError, ValueError, RecursionError):
        _scan(text, _skip(text, 0), _Tree.of(wheres), found)
    lines = _Lines(text)
    return {where: lines.place(offset) for where, offset in found.items()}


class _Lines:
    """Offsets to lines and columns."""

    def __init__(self, text: str) -> None:
        self.starts = [0, *(match.end() for match in _LINE_END.finditer(text))]

    def place(self, offset: int) -> Place:
        line = bisect_right(self.starts, offset)
        return line, offset - self.starts[line - 1] + 1


_RAW = JSONDecoder(parse_int=str, parse_float=str)


def _skip(text: str, at: int) -> int:
    match = _SPACE.match(text, at)
    return match.end() if match else at


def _scan(text: str, at: int, tree: _Tree, found: dict[str, int], named: int | None = None) -> int:
    """Take down where the wanted parts of the value at ``at`` begin; gives the place after the value."""
    begin = at if named is None else named
    for where in tree.all_ends():
        found[where] = begin  # overwritten below by what is found deeper
    if not tree.branches or text[at] not in "{[":
        return _RAW.raw_decode(text, at)[1]
    if text[at] == "[":
        return _scan_array(text, at + 1, tree, found)
    return _scan_object(text, at + 1, tree, found)


def _scan_object(text: str, at: int, tree: _Tree, found: dict[str, int]) -> int:
    at = _skip(text, at)
    while text[at] != "}":
        begin = at
        key, at = scanstring(text, at + 1, True)
        at = _skip(text, _skip(text, at) + 1)  # over the colon
        branch = tree.branches.get(key)
        at = _RAW.raw_decode(text, at)[1] if branch is None else _scan(text, at, branch, found, begin)
        at = _skip(text, at)
        if text[at] == ",":
            at = _skip(text, at + 1)
    return at + 1


def _scan_array(text: str, at: int, tree: _Tree, found: dict[str, int]) -> int:
    at, index = _skip(text, at), 0
    while text[at] != "]":
        branch = tree.branches.get(index)
        at = _RAW.raw_decode(text, at)[1] if branch is None else _scan(text, at, branch, found)
        at, index = _skip(text, at), index + 1
        if text[at] == ",":
            at = _skip(text, at + 1)
    return at + 1


def locate_duplicate(text: str, key: str) -> Place | None:
    """Where an object has ``key`` for the second time; None where it has not."""
    keys: list[set[str]] = [set()]
    at = 0
    while match := _MARK.search(text, at):
        at = match.end()
        if match[0] in "{[":
            keys.append(set())
        elif match[0] in "}]":
            keys.pop()
        else:
            try:
                string, at = scanstring(text, at, False)
            except JSONDecodeError:
                return None
            if string == key and text[_skip(text, at) : _skip(text, at) + 1] == ":":
                if key in keys[-1]:
                    return _Lines(text).place(match.start())
                keys[-1].add(key)
        if not keys:
            return None
    return None


def excerpt(text: str, place: Place, width: int = 96) -> str:
    """The line of a place with a mark beneath, cut around it where it is long."""
    line, column = place
    lines = text.split("\n", line)
    if len(lines) < line:
        return ""
    source = lines[line - 1].rstrip("\r")
    at = (column or 1) - 1
    begin = max(0, at - width // 3) if len(source) > width else 0
    shown = source[begin : begin + width].replace("\t", " ")
    shown = "".join(letter if letter.isprintable() else "\ufffd" for letter in shown)
    margin = f"{line:>6} | "
    mark = f"\n{' ' * 6} | {' ' * (at - begin)}^" if column else ""
    return f"{margin}{shown}{mark}"


def locate_xml(data: bytes, wheres: Iterable[str]) -> dict[str, Place]:
    """The line of each place in the XML of a resource."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        root = etree.fromstring(data.lstrip(), parser)
    except etree.XMLSyntaxError:
        return {}
    found: dict[str, Place] = {}
    _scan_xml(root, _Tree.of(wheres), found)
    before = data[: len(data) - len(data.lstrip())].count(b"\n")
    return {where: (line + before, column) for where, (line, column) in found.items()}


def _scan_xml(element: etree._Element, tree: _Tree, found: dict[str, Place]) -> None:
    line = element.sourceline
    for where in tree.all_ends():
        found[where] = (line if isinstance(line, int) else 1, None)
    children: dict[str, list[etree._Element]] = {}
    for child in element.iterchildren(etree.Element):
        children.setdefault(etree.QName(child).localname, []).append(child)
    for step, branch in tree.branches.items():
        if isinstance(step, int):
            continue
        same = children.get(step.removeprefix("_"), [])
        if same:
            _scan_xml(_unwrapped(same[0]), branch, found)
        for index, inner in branch.branches.items():
            if isinstance(index, int) and index < len(same):
                _scan_xml(_unwrapped(same[index]), inner, found)


def _unwrapped(element: etree._Element) -> etree._Element:
    """The resource inside an element that holds one (``<resource><Patient>``); else the element."""
    inner = list(element.iterchildren(etree.Element))
    if len(inner) == 1 and etree.QName(inner[0]).localname[:1].isupper():
        return inner[0]
    return element
