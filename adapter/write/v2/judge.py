"""Every message is judged before it leaves: by hl7apy's strict validation, and by hand where that has holes.

hl7apy 1.3.5 passes an OBX-2 that is no value type, words in NM, and segments in places that are not theirs; it takes
FT and TX in OBX-5 for ST; and what it raises holds values. Lengths are counted in characters as sent.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import replace

from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message

from adapter.catalogue import V2Settings
from adapter.problems import Layer, Problem, Severity
from adapter.v2.er7 import CHARSETS, Read
from adapter.write.outward import NotWritable

VALUE_TYPES = frozenset({"CE", "CWE", "ED", "FT", "NM", "SN", "ST", "TS", "TX", "XCN"})
"""Those of table 0125 that are written here; CWE as guides on v2.5.1 (laboratory reporting) take it in advance."""

_LONGEST = {"NM": 16, "TS": 26, "FT": 65536, "TX": 65536, "ED": 64_000_000}
"""By data type; of ED v2.5.1 bounds nothing, we do."""
_ST = 199
_ORDER = {
    "ORU": re.compile(r"MSH;(SFT;)?PID;(NK1;)?PV1;(ORC;)?(OBR;(NTE;)*(OBX;(NTE;)*)*)+"),
    "MDM": re.compile(r"MSH;(SFT;)?EVN;PID;PV1;TXA;OBX;"),
}
"""ORU^R01 (v2.5.1 section 7.3.1) and MDM^T02 (chapter 9) as written here."""


def encoded(segments: Sequence[str], settings: V2Settings, *, strictly: bool = True) -> bytes:
    """The message in the site's character set, as :func:`judged`. Raises :class:`NotWritable`."""
    problems = judged(segments, settings, strictly=strictly)
    data = b""
    try:
        end = "\r\n" if settings.terminator == "CRLF" else "\r"
        data = "".join(f"{one}{end}" for one in segments).encode(CHARSETS[settings.character_set])
    except UnicodeEncodeError as error:
        where = error.object[: error.start].count("\r") + 1
        what = f"segment {where} holds a character that {settings.character_set} has not"
        problems.append(problem("character-set", what, "UNICODE UTF-8 in v2.yaml, or other words"))
    if problems:
        raise NotWritable(problems)
    return data


def judged(segments: Sequence[str], settings: V2Settings, *, strictly: bool = True) -> list[Problem]:
    """What is wrong with a message; nothing of it is repeated but names of segments and fields.

    Without ``strictly`` hl7apy is not asked, which takes most of the time and sees nothing that words can break.
    """
    read = [Read(line, number, "utf-8") for number, line in enumerate(segments, start=1)]
    found: list[Problem] = []
    item = ""
    for segment in read:
        if segment.name == "OBX":
            item = _item(segment, settings.own_system)
        elif segment.name != "NTE":
            item = ""
        wrong = [*_lengths(segment, settings), *(_value(segment) if segment.name == "OBX" else ())]
        found += [replace(one, item=item) for one in wrong]
    kind = read[0].part(9)
    if not _ORDER[kind].fullmatch("".join(f"{one.name};" for one in read)):
        found.append(problem("segments", f"the segments are not in the order of {kind}^{read[0].part(9, 2)}"))
    return found or (list(_by_hl7apy(read)) if strictly else [])


_PASSED: set[Hashable] = set()
_KEPT = 50_000
"""What hl7apy passed is forgotten beyond so much, which is some tens of megabytes."""


def _by_hl7apy(read: Sequence[Read]) -> Iterator[Problem]:
    """hl7apy, which takes a hundredth of a second for a segment, is shown the first of each kind, and of the others
    those that hold something new: it judges field by field, so that it passes again what it passed before.

    Long texts are left out: they were measured above, and hl7apy would measure them as ST.
    """
    shown: list[str] = []
    kinds, new = set[str](), set[Hashable]()
    for one in read:
        line = one.line.replace(one.raw(5), _SHORT[one.raw(2)]) if _is_long(one) else one.line
        unseen = set(_fields(line)) - _PASSED - new
        if unseen or one.name not in kinds:
            shown.append(f"{line}\r")
        kinds.add(one.name)
        new |= unseen
    try:
        message = parse_message("".join(shown), validation_level=VALIDATION_LEVEL.STRICT)
        message.validate()
    except (HL7apyException, ValueError) as error:
        yield problem("hl7-v2", f"hl7apy refuses the message ({type(error).__name__})", "a case for the maintainers")
        return
    if len(_PASSED) > _KEPT:
        _PASSED.clear()
    _PASSED.update(new)


def _fields(line: str) -> Iterator[Hashable]:
    """All that its verdict on a segment depends on: which fields are filled, each field at its place, and the type of
    the value, by which it reads OBX-5."""
    name, *fields = line.split("|")
    kind = fields[1] if name == "OBX" and len(fields) > 1 else ""
    yield name, kind, tuple(number for number, field in enumerate(fields) if field.strip())
    yield from ((name, kind, number, field) for number, field in enumerate(fields))


def _item(result: Read, own_system: str) -> str:
    """The item that a result is of, by our code in OBX-3; nothing where it is of the report."""
    own = next((result.part(3, first) for first in (1, 4) if result.part(3, first + 2) == own_system), "")
    item = own.partition(".")[0]
    return "" if item in ("exam", "tell", "told", "detail") else item


_SHORT = {"FT": "text", "TX": "text", "ED": "^TEXT^HTML^Base64^text"}
"""What hl7apy sees in place of a long value."""


def _is_long(segment: Read) -> bool:
    return segment.name == "OBX" and segment.raw(2) in _SHORT and len(segment.raw(5)) > _ST


def _lengths(segment: Read, settings: V2Settings) -> Iterator[Problem]:
    for number in range(1, segment.line.count("|") + 2):
        if segment.name == "MSH" and number <= 2:
            continue
        name = f"{segment.name}-{number}"
        document = name == "OBX-5" and segment.raw(2) == "ED"
        limit = None if document else settings.lengths.get(name)
        for repetition in segment.repetitions(number):
            if limit is not None and len(repetition) > limit:
                what = f"{name} would have {len(repetition)} characters; the receiver takes {limit}"
                yield _at(segment, "too-long", what, "a shorter text, or another limit in v2.yaml (lengths)")
            kind = segment.raw(2) if name == "OBX-5" else "FT" if name == "NTE-3" else ""
            most = _LONGEST.get(kind, _ST)
            longest = max(map(len, re.split(r"[\^&]", repetition)))
            if longest > most:
                what = f"{name} would have a part of {longest} characters; its data type takes {most}"
                yield _at(segment, "too-long", what, "a shorter text")


_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


def _value(segment: Read) -> Iterator[Problem]:
    kind, value = segment.raw(2), segment.raw(5)
    if not value and kind == "" and segment.raw(11) in ("X", "W", "D"):
        return
    if kind not in VALUE_TYPES:
        yield _at(segment, "value-type", "OBX-2 is no type that is written here", ", ".join(sorted(VALUE_TYPES)))
    number = {"NM": value, "SN": segment.part(5, 2)}.get(kind)
    if number is not None and not _NUMBER.fullmatch(number):
        yield _at(segment, "not-a-number", f"OBX-5 is no number, as {kind} asks", "digits with a point")


def _at(segment: Read, rule: str, what: str, remedy: str) -> Problem:
    place = f"segment {segment.number} ({segment.name})"
    return Problem(Severity.ERROR, Layer.STRUCTURE, rule, what, remedy, where=place)


def problem(rule: str, what: str, remedy: str = "") -> Problem:
    """An error of writing a message."""
    return Problem(Severity.ERROR, Layer.STRUCTURE, rule, what, remedy)
