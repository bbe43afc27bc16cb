"""The vertical bar encoding (ER7) of HL7 v2.5.1, section 2.5 to 2.7: escapes, components, segments, times.

Our own, since hl7apy leaves formatting commands and hexadecimal escapes to its users; it judges what is written here
(:mod:`adapter.write.v2.judge`). The delimiters are always ``|^~\\&``, those that the standard recommends.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta, timezone

from adapter.catalogue.v2 import CHARACTER_SETS
from adapter.problems import AdapterError

ENCODING = "^~\\&"
CHARSETS = {**CHARACTER_SETS, "": "ascii"}
"""Python's name of a character set of table 0211; an empty MSH-18 means ASCII (section 2.14.9.18)."""

_ESCAPES = {"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\"}
_MARKS = str.maketrans(_ESCAPES | {"\n": "\\X0A\\", "\t": "\\X09\\", "\r": "\\X0D\\"})
_FORMATTED = str.maketrans(_ESCAPES | {"\n": "\\.br\\", "\t": "\\X09\\", "\r": "\\X0D\\"})


def text(value: str) -> str:
    """Text of ST and all that is not FT: delimiters and line breaks escaped (section 2.7)."""
    return value.translate(_MARKS)


def formatted(value: str) -> str:
    """Text of FT: line breaks as the command ``.br`` (section 2.7.6)."""
    return value.translate(_FORMATTED)


_SEQUENCE = re.compile(r"\\([^\\]*)\\")
_PLAIN = {"E": "\\", "F": "|", "S": "^", "T": "&", "R": "~", ".br": "\n", ".BR": "\n", ".sp": "\n", "H": "", "N": ""}


def unescaped(value: str, charset: str = "utf-8") -> str:
    """The text behind the escapes; a sequence that is not known is left as it stands."""

    def one(match: re.Match[str]) -> str:
        inside = match[1]
        if inside in _PLAIN:
            return _PLAIN[inside]
        if re.fullmatch(r"X([0-9A-Fa-f]{2})+", inside):
            return bytes.fromhex(inside[1:]).decode(charset, "replace")
        return match[0]

    return _SEQUENCE.sub(one, value)


def joined(parts: Sequence[str], by: str = "^") -> str:
    """Encoded parts with a separator, empty ones at the end left out."""
    return by.join(parts).rstrip(by) if parts else ""


def segment(name: str, fields: Mapping[int, str]) -> str:
    """A segment from its encoded fields by number."""
    return joined([name, *(fields.get(n, "") for n in range(1, max(fields, default=0) + 1))], "|")


class Unsayable(AdapterError, ValueError):
    """A value that v2.5.1 has no place for; the message says why, without the value."""


def moment(value: datetime) -> str:
    """A time stamp with its offset (TS, section 2A.77): seconds, and up to four places of them."""
    digits = value.strftime("%Y%m%d%H%M%S").rjust(14, "0")
    if value.microsecond:
        if value.microsecond % 100:
            raise Unsayable("a time is given to more than four places of a second, TS holds four")
        digits += f".{value.microsecond // 100:04d}"
    return digits + value.strftime("%z")[:5]


_MOMENT = re.compile(r"(\d{14})(?:\.(\d{1,4}))?([+-])(\d\d)(\d\d)")


def read_moment(value: str) -> str:
    """A time stamp as ISO 8601 with its offset. Raises :class:`ValueError` where either is missing or wrong."""
    found = _MOMENT.fullmatch(value)
    if found is None:
        raise ValueError("no time to the second with its offset, such as 20260301083000+0100")
    offset = timedelta(hours=int(found[4]), minutes=int(found[5]))
    zone = timezone(offset if found[3] == "+" else -offset)
    fraction = int((found[2] or "").ljust(6, "0"))
    return datetime.strptime(found[1], "%Y%m%d%H%M%S").replace(microsecond=fraction, tzinfo=zone).isoformat()


class Read:
    """A segment that was read: its name, its place in the message, and its fields by number.

    ``at`` is its line in the file, which may hold several messages.
    """

    def __init__(self, line: str, number: int, charset: str, at: int = 0) -> None:
        self.line, self.number, self._charset, self.at = line, number, charset, at or number
        self.name = line[:3]
        self._fields = line.split("|")
        if self.name == "MSH":
            self._fields.insert(1, "|")

    def raw(self, field: int) -> str:
        """A field as it stands."""
        return self._fields[field] if field < len(self._fields) else ""

    def repetitions(self, field: int) -> list[str]:
        """The repetitions of a field as they stand; none where it is empty."""
        return self.raw(field).split("~") if self.raw(field) else []

    def part(self, field: int, component: int = 1, repetition: int = 0, sub: int = 1) -> str:
        """A component (or a part of one) without its escapes; empty where there is none."""
        repetitions = self.repetitions(field)
        return self.within(repetitions[repetition], component, sub) if repetition < len(repetitions) else ""

    def within(self, repetition: str, component: int = 1, sub: int = 1) -> str:
        """The same of one repetition."""
        components = repetition.split("^")
        parts = components[component - 1].split("&") if component <= len(components) else []
        return unescaped(parts[sub - 1], self._charset) if sub <= len(parts) else ""

    def whole(self, field: int) -> str:
        """The text of a field, its repetitions as lines."""
        return "\n".join(unescaped(part, self._charset) for part in self.repetitions(field))


_BATCH = frozenset({"FHS", "BHS", "BTS", "FTS"})


Lines = list[tuple[int, bytes]]
"""The segments of a message, not yet read, each with its line in the file."""


def messages(data: bytes) -> Iterator[list[Read]]:
    """The messages of a file; see :func:`split` and :func:`segments`. Raises :class:`ValueError`."""
    for lines in split(data):
        yield segments(lines)


def split(data: bytes) -> list[Lines]:
    """The messages of a file: one after the other, with or without headers and trailers of a batch (2.10.3).

    Raises :class:`ValueError` for what is no such file.
    """
    found: list[Lines] = []
    for number, line in enumerate(re.split(rb"\r\n|\r|\n", data.removeprefix(b"\xef\xbb\xbf")), start=1):
        if not line.strip() or line[:3].decode("ascii", "replace") in _BATCH:
            continue
        if line.startswith(b"MSH"):
            found.append([])
        elif not found:
            raise ValueError("does not begin with MSH")
        found[-1].append((number, line))
    if not found:
        raise ValueError("holds no message")
    return found


def segments(lines: Lines) -> list[Read]:
    """The segments of one message, in the character set of its MSH-18. Raises :class:`ValueError`."""
    header = lines[0][1]
    if header[3:8] != b"|^~\\&":
        raise ValueError("MSH does not declare the delimiters |^~\\&")
    fields = header.split(b"|")
    named = fields[17].decode("ascii", "replace").partition("~")[0] if len(fields) > 17 else ""
    charset = CHARSETS.get(named)
    if charset is None:
        raise ValueError(f"MSH-18 names a character set that is not read here; these are: {', '.join(CHARSETS)}")
    try:
        return [Read(line.decode(charset), n, charset, at) for n, (at, line) in enumerate(lines, start=1)]
    except UnicodeDecodeError:
        raise ValueError(f"is not written in {named or 'ASCII'}, the character set of MSH-18") from None
