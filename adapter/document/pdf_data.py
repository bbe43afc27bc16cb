"""A document as plain data for ``paper.typ``: text that can be shown, in parts that stay together."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from itertools import groupby
from typing import Any
from unicodedata import bidirectional

from adapter.document.characters import visible
from adapter.document.drawn import BOX, line, of_marks
from adapter.document.fonts import Shown, families
from adapter.document.model import (
    Beside,
    Blank,
    Block,
    Bullets,
    Document,
    Entry,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Plot,
    Run,
    Table,
    Text,
    Tick,
    Tone,
    say,
)
from adapter.document.plot import HEIGHT, WIDTH, Word, marks

Data = dict[str, Any]

_PAPERS = {"a4": ("a4", 523.0), "letter": ("us-letter", 540.0)}
"""What the compiler calls it, and the points between its margins."""
_GAP = 10.0
_MM = 72 / 25.4
_FIELDS = (0.15, 0.36)
_BOLD = frozenset({Tone.STRONG, Tone.LOUD, Tone.MARKED})
_ANYWHERE, _BEGIN, _END = "\u200b", "\u2068", "\u2069"
"""Marks for ``paper.typ``: a word may break here; what is between stands apart (isolates of Unicode Annex 9)."""
_KINDS = {"R": "r", "AL": "r", "AN": "r", "NSM": "m", "L": "-", "B": "-"}
_TURNED = re.compile(r"r(?:[rm ]*[rm])?|[^r]+")
"""From a letter that runs from right to left to the last before one that does not, with the numbers between."""
_SHORT_MARK, _SHORT_BLANK = 3, 20
"""Letters, and millimetres: so short a mark or line to write on stays with what stands right before it."""
_LANGUAGE = re.compile(r"([A-Za-z]{2,3})(?:-([A-Za-z]{4}))?(?:-([A-Za-z]{2}))?(?![A-Za-z0-9])")


def data(document: Document) -> Data:
    """Everything that ``paper.typ`` shows."""
    return _Teller(document).document()


class _Teller:
    """Tells blocks in one size of text; heading levels follow each other without a gap (ISO 14289-1, 7.4.2)."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._shown = Shown()
        self._size = 7.2 if document.columns > 1 else 9.0
        self._level = 1

    def document(self) -> Data:
        document, say_ = self._document, self._plain
        paper, width = _PAPERS[document.paper]
        column = (width - _GAP * (document.columns - 1)) / document.columns
        found: Data = {
            "title": visible(document.title),
            "heading": say_(document.title),
            "author": visible(document.author),
            "about": visible(document.subject),
            "subject": say_(document.subject),
            "lang": _language(document.language),
            "paper": paper,
            "width": width,
            "columns": document.columns,
            "gap": _GAP,
            "size": self._size,
            "running": self._line(document.running, Tone.PLAIN, width),
            "banner": say_(document.banner),
            "foot": say_(document.foot),
            "page_of": [say_(part) for part in re.split(r"\{pages?\}", document.page_of)],
            "lead": self._blocks(document.lead, width),
            "blocks": self._blocks(document.blocks, column),
        }
        if self._shown.unshown:
            found["lead"] += self._blocks([_unshown(self._shown.unshown, document)], width)
        return {**found, "fonts": [family.name for family in families()]}

    def _blocks(self, blocks: Iterable[Block], width: float) -> list[Data]:
        return [self._block(block, width) for block in blocks]

    def _block(self, block: Block, width: float) -> Data:
        match block:
            case Heading(text=text, level=level):
                self._level = min(level, self._level + 1)
                return {"is": "heading", "level": self._level, "look": level, "text": self._plain(text)}
            case Paragraph(text=text, tone=tone):
                return {"is": "paragraph", "tone": tone, **self._line(text, tone, width)}
            case Bullets(lines=lines):
                return {"is": "bullets", "lines": [self._parts(line, Tone.PLAIN, width) for line in lines]}
            case Entry(lines=lines):
                return {"is": "entry", "lines": [self._line(line, Tone.PLAIN, width) for line in lines]}
            case Fields(pairs=pairs):
                label, value = (share * width for share in _FIELDS)
                told = [[self._plain(name, label), self._parts(said, Tone.PLAIN, value)] for name, said in pairs]
                return {"is": "fields", "pairs": told}
            case Table():
                return self._table(block, width)
            case Plot():
                return self._plots((block,), width)
            case Beside(plots=plots):
                return self._plots(plots, width)
            case Notice(title=title, blocks=inner, tone=tone):
                level = self._level = 2 if self._level == 1 else 3
                return {
                    "is": "notice",
                    "level": level,
                    "title": self._plain(title),
                    "tone": tone,
                    "blocks": self._blocks(inner, width - 20),
                }

    def _table(self, table: Table, width: float) -> Data:
        whole = sum(column.share for column in table.columns)
        widths = [width * column.share / whole for column in table.columns]
        return {
            "is": "table",
            "caption": self._plain(table.caption),
            "named": table.named_by_column,
            "labels": [self._plain(column.label, room) for column, room in zip(table.columns, widths, strict=True)],
            "shares": [column.share for column in table.columns],
            "rows": [{"tone": row.tone, "cells": self._cells(row.cells, row.tone, widths)} for row in table.rows],
        }

    def _cells(self, cells: tuple[Text, ...], tone: Tone, widths: list[float]) -> list[list[Data]]:
        """The header cell of a marked row is bold; the bar beside it is not all that says so."""
        first = Tone.STRONG if tone in (Tone.MARKED, Tone.LOUD) else Tone.PLAIN
        tones = [first, *[Tone.PLAIN] * (len(cells) - 1)]
        return [self._parts(*given) for given in zip(cells, tones, widths, strict=True)]

    def _plots(self, plots: tuple[Plot, ...], width: float) -> Data:
        return {
            "is": "plots",
            "across": max(int(width // WIDTH), 1),
            "width": WIDTH,
            "height": HEIGHT,
            "plots": [self._plot(plot) for plot in plots],
        }

    def _plot(self, plot: Plot) -> Data:
        """Lines and dots as a picture, its words beside them: they are set, and shaped, as all other text."""
        every = list(marks(plot))
        words = [mark for mark in every if isinstance(mark, Word)]
        return {
            "svg": of_marks(mark for mark in every if not isinstance(mark, Word)),
            "words": [{**asdict(word), "text": self._plain(word.text), "y": HEIGHT - word.y} for word in words],
            "alt": visible(plot.alt),
            "caption": self._plain(plot.alt),
        }

    def _line(self, text: Text, tone: Tone, width: float) -> Data:
        return {
            "form": any(isinstance(part, Tick | Blank) for part in text),
            "write": any(isinstance(part, Blank) for part in text),
            "parts": self._parts(text, tone, width),
        }

    def _parts(self, text: Text, outer: Tone = Tone.PLAIN, width: float = 523.0) -> list[Data]:
        """Runs; those of a form in groups that are not broken."""
        if not any(isinstance(part, Tick | Blank) for part in text):
            return [self._run(part, outer, width) for part in text if isinstance(part, Run)]
        found: list[Data] = []
        for held in _held(text):
            parts = [self._part(part, outer, width) for part in held]
            found += [{"is": "held", "parts": parts}] if len(parts) > 1 else parts
        return found

    def _part(self, part: Run | Tick | Blank, outer: Tone, width: float) -> Data:
        if isinstance(part, Tick):
            says = part.says or part.mark or "box"
            return {"is": "tick", "svg": BOX, "alt": visible(says), "mark": self._plain(part.mark)}
        if isinstance(part, Blank):
            length = round(part.width * _MM, 2)
            return {"is": "blank", "svg": line(length), "alt": visible(part.says or "line"), "width": length}
        return self._run(part, outer, width)

    def _run(self, run: Run, outer: Tone, width: float) -> Data:
        tone = run.tone if run.tone is not Tone.PLAIN else outer
        how = [
            *(["bold"] if tone in _BOLD else []),
            *(["quiet"] if Tone.QUIET in (tone, outer) else []),
            *(["loud"] if run.tone is Tone.LOUD else []),
        ]
        return {"is": "run", "text": self._plain(run.text, width), "how": how}

    def _plain(self, text: str, width: float = 523.0) -> str:
        """What is shown of a text in a line so wide; a word that is longer than the line may break anywhere."""
        longest = max(int(width / self._size / 0.6), 1)
        words = (_ANYWHERE.join(word) if len(word) > longest else word for word in self._shown(text).split(" "))
        return _apart(" ".join(words))


def _apart(text: str) -> str:
    """The text with marks around what runs from right to left, so that nothing beside it is turned around."""
    kinds = "".join(_KINDS.get(bidirectional(character), " ") for character in text)
    if "r" not in kinds:
        return text
    found = ((text[part.start() : part.end()], kinds[part.start()] == "r") for part in _TURNED.finditer(kinds))
    return "".join(f"{_BEGIN}{part}{_END}" if turned else part for part, turned in found)


def _held(text: Text) -> Iterator[list[Run | Tick | Blank]]:
    """Parts that stay together: boxes with the word after them, a short mark or line with what is right before it."""
    held: list[Run | Tick | Blank] = []
    for part in _words(text):
        boxed = bool(held) and isinstance(held[-1], Tick)
        if isinstance(part, Tick):
            joins = boxed
        elif isinstance(part, Blank):
            joins = bool(held) and (boxed or part.width < _SHORT_BLANK)
        else:
            joins = bool(held) and (boxed or len(part.text) <= _SHORT_MARK) and not part.text.isspace()
        if held and not joins:
            yield held
            held = []
        held.append(part)
        if isinstance(part, Run) and part.text.isspace():
            yield held
            held = []
    if held:
        yield held


def _words(text: Text) -> Iterator[Run | Tick | Blank]:
    """Runs taken apart into words and the spaces between them."""
    for part in text:
        if isinstance(part, Run):
            yield from (Run("".join(letters), part.tone) for _, letters in groupby(part.text, key=" \n".__contains__))
        else:
            yield part


def _language(tag: str) -> list[str | None]:
    """Language, region and script of a BCP 47 tag, as far as the compiler knows such."""
    found = _LANGUAGE.match(tag)
    language, script, region = found.groups() if found else ("en", None, None)
    return [language.lower(), region, script]


def _unshown(characters: set[str], document: Document) -> Paragraph:
    count = len(characters)
    text = document.unshown[count > 1].format(count=count, example=f"[U+{ord(min(characters)):04X}]")
    return Paragraph(say(text), Tone.MARKED)
