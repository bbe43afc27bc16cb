"""A document on paper or screen, as neutral data: what it says, in which order, and how loud; not how it is drawn.

Nothing here knows newborns, FHIR, HTML or PDF. Meaning never rests on colour: a tone has a shape and, where it
matters, the text says the word as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from typing import Literal


class Tone(StrEnum):
    """How loud something is."""

    PLAIN = "plain"
    STRONG = "strong"
    QUIET = "quiet"
    LOUD = "loud"
    """Must not be overlooked: white on black."""
    MARKED = "marked"
    """Out of the ordinary: a thick bar beside it."""
    NOTED = "noted"
    """Worth a look: a thin bar beside it."""


@dataclass(frozen=True, slots=True)
class Run:
    """Text in one tone; a line feed in it is a new line. ``language`` is a BCP 47 tag, where it is another than the
    document's."""

    text: str
    tone: Tone = Tone.PLAIN
    language: str = ""


@dataclass(frozen=True, slots=True)
class Tick:
    """A box to tick, with at most two letters in it (``L``, ``R``); ``says`` is what a screen reader says of it."""

    mark: str = ""
    says: str = ""


@dataclass(frozen=True, slots=True)
class Blank:
    """A line to write on, so many millimetres long; ``says`` is what a screen reader says of it."""

    width: int = 20
    says: str = ""


Text = tuple[Run | Tick | Blank, ...]


def say(*parts: str | Run | Tick | Blank) -> Text:
    """Text from plain strings and other parts."""
    return tuple(Run(part) if isinstance(part, str) else part for part in parts)


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; level 1 is the title's and belongs to the document itself."""

    text: str
    level: Literal[2, 3] = 2


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; marked and noted ones have a bar beside them."""

    text: Text
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of lines."""

    lines: tuple[Text, ...]


@dataclass(frozen=True, slots=True)
class Fields:
    """Labels and their values."""

    pairs: tuple[tuple[str, Text], ...]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table and its share of the width."""

    label: str
    share: int = 1


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a table; the first cell is its header."""

    cells: tuple[Text, ...]
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Table:
    """A table whose headings are repeated where it breaks.

    ``caption`` names it; where the first column's label says the same, it is not shown twice.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]

    @property
    def named_by_column(self) -> bool:
        """Whether the first column's label is the table's name."""
        return self.caption == self.columns[0].label


@dataclass(frozen=True, slots=True)
class Entry:
    """Lines that stay together: one question of a form."""

    lines: tuple[Text, ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """A line through points; ``dots`` shows each of them. A reference is drawn thin and named at its end."""

    label: str
    points: tuple[tuple[Decimal, Decimal], ...]
    dots: bool = True


@dataclass(frozen=True, slots=True)
class Plot:
    """A small line plot; ``alt`` says in words what it shows, numbers included. ``decimal`` stands in its numbers."""

    title: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...]
    alt: str
    decimal: str = "."

    def number(self, value: Decimal) -> str:
        """A number on it."""
        return f"{value:f}".replace(".", self.decimal)


@dataclass(frozen=True, slots=True)
class Notice:
    """A frame with a title: what must be read first."""

    title: str
    blocks: tuple[Block, ...]
    tone: Tone = Tone.STRONG


@dataclass(frozen=True, slots=True)
class Beside:
    """Small plots beside each other where there is room."""

    plots: tuple[Plot, ...]


Block = Heading | Paragraph | Bullets | Fields | Table | Entry | Plot | Beside | Notice


@dataclass(frozen=True, slots=True)
class Document:
    """A whole document.

    ``running`` is repeated on every page (whom it is about); ``foot`` stands before the page number. ``language`` is
    a BCP 47 tag. ``columns`` is how many columns of text a page has. ``banner`` is a word that no page may go
    without (``ENTERED IN ERROR``). ``page_of`` and ``unshown`` are what its writers add, in its language.
    """

    title: str
    language: str
    running: Text
    foot: str
    blocks: tuple[Block, ...]
    subject: str = ""
    author: str = ""
    paper: Literal["a4", "letter"] = "a4"
    columns: int = 1
    banner: str = ""
    lead: tuple[Block, ...] = field(default=())
    """Stands above the columns, over the whole width of the first page."""
    made: datetime | None = None
    """When what it says was recorded, for the properties of its file."""
    page_of: str = "page {page} of {pages}"
    """The number of a page."""
    unshown: tuple[str, str] = (
        "{count} character that no font here can show is written out by code point, such as {example}. The page in"
        " HTML shows them; a folder of TrueType fonts may be named in NEWBORN_ADAPTER_FONTS.",
        "{count} characters that no font here can show are written out by code point, such as {example}. The page in"
        " HTML shows them; a folder of TrueType fonts may be named in NEWBORN_ADAPTER_FONTS.",
    )
    """In a PDF, of one character and of several that no font has."""


@dataclass(frozen=True, slots=True)
class Attached:
    """A file inside a PDF that says the same in another way, by its MIME type; ``says`` describes it."""

    name: str
    content_type: str
    content: bytes
    says: str
