"""Where in a file an element stands: line and column in JSON, the line in XML.

Only asked where there is something to report. JSON is scanned along the ways that lead to the wanted elements, all
else is skipped by the parser; XML is parsed once more. Of an element that is not there the place of what should
hold it is told.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from json.decoder import JSONDecodeError, JSONDecoder, scanstring  # type: ignore[attr-defined]

from lxml import etree

Place = tuple[int, int | None]  # line and column, both from 1

_STEP = re.compile(r"\.([^.\[\]]+)|\[(\d+)\]")
_MARK = re.compile(r'["{}\[\]]')
_SPACE = re.compile(r"[ \t\n\r]*")
_LINE_END = re.compile(r"\n")


def locate_json(text: str, wheres: Iterable[str]) -> dict[str, Place]:
    """Line and column of each place (``Patient.name[0].family``) in the JSON text of a resource.

    Text that is no JSON gives nothing.
    """
    return _located(JsonPlaces(text), wheres)


def locate_xml(data: bytes, wheres: Iterable[str]) -> dict[str, Place]:
    """The line of each place in the XML of a resource."""
    return _located(XmlPlaces(data), wheres)


def _located(places: JsonPlaces | XmlPlaces, wheres: Iterable[str]) -> dict[str, Place]:
    found = {where: places.place(where) for where in wheres}
    return {where: place for where, place in found.items() if place is not None}


def _steps(where: str) -> list[str | int]:
    return [name or int(index) for name, index in _STEP.findall(where)]


class JsonPlaces:
    """The places of one JSON text. What was gone through for one place is not gone through for the next."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._parts: dict[int, dict[str | int, tuple[int, int]]] = {}
        self._lines: _Lines | None = None

    def place(self, where: str) -> Place | None:
        """Line and column of an element, or of what should hold it; None where the text is no JSON."""
        at = begin = _skip(self._text, 0)
        try:
            for step in _steps(where):
                part = self._parts_of(at).get(step)
                if part is None:
                    break
                begin, at = part
        except (JSONDecodeError, IndexError, ValueError, RecursionError):
            return None
        if self._lines is None:
            self._lines = _Lines(self._text)
        return self._lines.place(begin)

    def _parts_of(self, at: int) -> dict[str | int, tuple[int, int]]:
        """For each member of the object or array at an offset where it begins (with its key), and its value."""
        found = self._parts.get(at)
        if found is None:
            self._parts[at] = found = dict(_members(self._text, at))
        return found


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


def _members(text: str, at: int) -> Iterator[tuple[str | int, tuple[int, int]]]:
    """The members of an object or array by name or number; none of anything else."""
    end = {"{": "}", "[": "]"}.get(text[at], "")
    at, number = _skip(text, at + 1), 0
    while end and text[at] != end:
        begin = at
        step: str | int = number
        if end == "}":
            step, at = scanstring(text, at + 1, True)
            at = _skip(text, _skip(text, at) + 1)  # over the colon
        yield step, (begin, at)
        at, number = _skip(text, _RAW.raw_decode(text, at)[1]), number + 1
        if text[at] == ",":
            at = _skip(text, at + 1)


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


class XmlPlaces:
    """The places of one XML document, parsed once more when the first is asked for."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._root: etree._Element | None = None
        self._children: dict[tuple[etree._Element, str], list[etree._Element]] = {}

    def place(self, where: str) -> Place | None:
        """The line of an element, or of what should hold it; None where it is no XML."""
        if self._root is None:
            parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
            try:
                self._root = etree.fromstring(self._data.lstrip(), parser)
            except etree.XMLSyntaxError:
                return None
        element, steps = self._root, _steps(where)
        while steps:
            step = steps.pop(0)
            if not isinstance(step, str):
                break
            index = steps.pop(0) if steps and isinstance(steps[0], int) else 0
            same = self._named(element, step.removeprefix("_"))
            if not same:
                break
            element = _unwrapped(same[index if isinstance(index, int) and index < len(same) else 0])
        line = element.sourceline
        before = self._data[: len(self._data) - len(self._data.lstrip())].count(b"\n")
        return (line if isinstance(line, int) else 1) + before, None

    def _named(self, element: etree._Element, name: str) -> list[etree._Element]:
        found = self._children.get((element, name))
        if found is None:
            self._children[element, name] = found = list(element.iterchildren(f"{{*}}{name}"))
        return found


def _unwrapped(element: etree._Element) -> etree._Element:
    """The resource inside an element that holds one (``<resource><Patient>``); else the element."""
    inner = list(element.iterchildren(etree.Element))
    if len(inner) == 1 and etree.QName(inner[0]).localname[:1].isupper():
        return inner[0]
    return element
