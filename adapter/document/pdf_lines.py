"""Lines of a form in PDF: boxes that stay with their answers, lines to write on. Imported only with reportlab."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import Flowable

from adapter.document.fonts import SHAPED, Fonts
from adapter.document.model import Blank, Text, Tick, Tone

_INK, _QUIET = HexColor("#1d1d1b"), HexColor("#5a5852")
_BOLD = frozenset({Tone.STRONG, Tone.LOUD, Tone.MARKED})
_MM = 72 / 25.4
_INDENT = 7.0


@dataclass(slots=True)
class _Atom:
    """What a line is broken between: boxes, then text, then a blank; widths in points."""

    boxes: list[str]
    pieces: list[tuple[str, str]]
    blank: float
    quiet: bool
    width: float
    space: float

    @property
    def is_mark(self) -> bool:
        """Whether it belongs to the word before it: a mark such as ``!!``, or a short blank."""
        length = sum(len(text) for _, text in self.pieces)
        return not self.boxes and (0 < length <= 3 or 0 < self.blank < 20 * _MM)


class FormLine(Flowable):  # type: ignore[misc]
    """One line of a form, broken between words; what follows its first line is indented.

    Where there is a line to write on, it is high enough to write.
    """

    def __init__(self, text: Text, fonts: Fonts, size: float, tone: Tone = Tone.PLAIN) -> None:
        super().__init__()
        self._size = size
        self._leading = size * (1.72 if any(isinstance(part, Blank) for part in text) else 1.3)
        self._atoms = _atoms(text, fonts, size, tone)
        self._lines: list[list[_Atom]] = []

    def wrap(self, width: float, _: float) -> tuple[float, float]:
        """Break it for a width; gives width and height."""
        self._lines = []
        used = 0.0
        for n, atom in enumerate(self._atoms):
            room = width - (_INDENT if self._lines[1:] else 0)
            mark = self._atoms[n + 1 : n + 2]
            needed = atom.width + (mark[0].width if mark and not atom.space and mark[0].is_mark else 0)
            if not self._lines or (
                used + needed > room and not (atom.is_mark and n and not self._atoms[n - 1].space)
            ):
                self._lines.append([])
                used = 0.0
            self._lines[-1].append(atom)
            used += atom.width + atom.space
        self.width, self.height = width, self._leading * len(self._lines)
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the canvas that reportlab has set."""
        y = self.height - self._leading + self._size * 0.28
        for n, line in enumerate(self._lines):
            x = _INDENT if n else 0.0
            for atom in line:
                self._draw(atom, x, y)
                x += atom.width + atom.space
            y -= self._leading

    def _draw(self, atom: _Atom, x: float, y: float) -> None:
        canvas, size = self.canv, self._size
        canvas.setStrokeColor(_INK)
        canvas.setLineWidth(0.6)
        for letter in atom.boxes:
            canvas.rect(x + 0.4, y - size * 0.12, size * 0.92, size * 0.92, stroke=1, fill=0)
            if letter:
                canvas.setFillColor(_QUIET)
                canvas.setFont("paper", size * 0.74)
                canvas.drawCentredString(x + 0.4 + size * 0.46, y + size * 0.08, letter)
            x += size * 1.12
        x += size * 0.14 if atom.boxes else 0
        canvas.setFillColor(_QUIET if atom.quiet else _INK)
        for font, text in atom.pieces:
            canvas.setFont(font, size)
            canvas.drawString(x, y, text, shaping=font.endswith(SHAPED))
            x += stringWidth(text, font, size)
        if atom.blank:
            canvas.setLineWidth(0.4)
            canvas.line(x, y - 1, x + atom.blank, y - 1)


def _atoms(text: Text, fonts: Fonts, size: float, outer: Tone) -> list[_Atom]:
    """Words, each with the boxes right before it, and blanks."""
    found: list[_Atom] = []
    boxes: list[str] = []
    for part in text:
        if isinstance(part, Tick):
            boxes.append(part.mark)
        elif isinstance(part, Blank):
            found.append(_atom(boxes, [], part.width * _MM, False, size))
            boxes = []
        else:
            tone = part.tone if part.tone is not Tone.PLAIN else outer
            for is_space, letters in groupby(part.text, key=" \n".__contains__):
                word = "".join(letters)
                if is_space and found and not boxes:
                    found[-1].space = len(word) * size * 0.265
                elif not is_space:
                    found.append(_atom(boxes, list(fonts.pieces(word, tone in _BOLD)), 0, tone is Tone.QUIET, size))
                    boxes = []
    return [*found, _atom(boxes, [], 0, False, size)] if boxes else found


def _atom(boxes: list[str], pieces: list[tuple[str, str]], blank: float, quiet: bool, size: float) -> _Atom:
    width: Any = sum(stringWidth(text, font, size) for font, text in pieces)
    width += len(boxes) * size * 1.12 + (size * 0.14 if boxes else 0) + blank
    return _Atom(boxes, pieces, blank, quiet, float(width), 0)
