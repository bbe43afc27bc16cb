"""Fonts for PDF: which one shows a character, and what to do where none does.

FiraGO and Noto Sans come with the extra ``pdf`` (package pymupdf-fonts, SIL Open Font License 1.1): Latin, Greek,
Cyrillic, Arabic, Hebrew, Devanagari, Thai and Georgian. For anything else the TrueType fonts of the folder that
``NEWBORN_ADAPTER_FONTS`` names and of the system are searched. A character that none of them has is written out as
``[U+6F22]`` and remembered, so that the document can say so.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from functools import cache
from io import BytesIO
from itertools import groupby
from pathlib import Path
from typing import Any
from unicodedata import bidirectional, normalize

from adapter.document.characters import needs_shaping, visible, written_out
from adapter.errors import NotInstalled

FOLDER = "NEWBORN_ADAPTER_FONTS"
SHAPED = "-shaped"
_OWN = {"paper": "figo", "paper-bold": "figbo", "noto": "notos", "noto-bold": "notosbo"}
HOW = "in the checkout of this project: pip install '.[pdf]'"

# How many characters of a text that runs from right to left stand on one line: such a text is put in the order of
# sight line by line.
_RIGHT_TO_LEFT_LINE = 30

_SYSTEM = {
    "darwin": ("/System/Library/Fonts", "/Library/Fonts"),
    "win32": (f"{os.environ.get('WINDIR', 'C:/Windows')}/Fonts",),
}


class PdfNotInstalled(NotInstalled):
    """The libraries that PDF needs are not installed; the message says how to install them."""

    def __init__(self, missing: str) -> None:
        super().__init__(f"PDF needs {missing}, which is not installed; install it with: {HOW}")


class Fonts:
    """Chooses fonts for the texts of one document; ``unshown`` holds the characters that no font has."""

    def __init__(self) -> None:
        self.unshown: set[str] = set()
        self._shaped: set[str] = set()

    def pieces(self, text: str, bold: bool = False) -> Iterator[tuple[str, str]]:
        """The text in the order of sight, each piece with the registered font that shows it."""
        for is_space, letters in groupby(_in_sight_order(visible(text)), key=str.isspace):
            word = "".join(letters)
            if is_space:
                yield _base(bold), word.replace("\u2028", " ").replace("\u2029", " ")
            else:
                yield from self._word(word, bold)

    def _word(self, word: str, bold: bool) -> Iterator[tuple[str, str]]:
        if needs_shaping(word):
            font = next((font for font in _all(bold) if all(ord(c) in _glyphs(font) for c in word)), None)
            if font is not None:
                yield self._for_shaping(font), word
                return
        for font, characters in groupby(word, key=lambda character: self._font(character, bold)):
            piece = "".join(characters)
            yield font or _base(bold), piece if font else "".join(self._escaped(c) for c in piece)

    def _for_shaping(self, font: str) -> str:
        """The same font for text that is shaped: opened anew for each document, since shaping changes it."""
        for name in sorted({font, "paper"} - self._shaped):
            self._shaped.add(name)
            _open_for_shaping(name)
        return f"{font}{SHAPED}"

    def _font(self, character: str, bold: bool) -> str | None:
        return next((font for font in _all(bold) if ord(character) in _glyphs(font)), None)

    def _escaped(self, character: str) -> str:
        plain = normalize("NFKC", character)  # a joined form of a letter stands for the letter
        self.unshown |= set(plain)
        return "".join(map(written_out, plain))


def _in_sight_order(text: str) -> str:
    """Text that runs from right to left in the order in which it is seen, its letters joined as the script asks."""
    if all(bidirectional(c) not in ("R", "AL", "AN") for c in text):
        return text
    lines = [part for line in text.split("\n") for part in _short_lines(line)]
    return "\n".join(_bidi()(line) for line in lines)


def _short_lines(line: str) -> Iterator[str]:
    held = ""
    for word in line.split(" "):
        if held and len(held) + len(word) >= _RIGHT_TO_LEFT_LINE:
            yield held
            held = word
        else:
            held = f"{held} {word}" if held else word
    yield held


@cache
def _bidi() -> Any:
    """Joins Arabic letters and puts a line in the order of sight (Unicode Standard Annex #9)."""
    try:
        from arabic_reshaper import ArabicReshaper  # type: ignore[import-untyped]
        from bidi.algorithm import get_display  # type: ignore[import-untyped]
    except ImportError as error:
        raise PdfNotInstalled(str(error.name)) from None
    reshaper = ArabicReshaper({"delete_harakat": False, "delete_tatweel": False, "support_zwj": True})
    return lambda line: get_display(reshaper.reshape(line))


def _base(bold: bool) -> str:
    _register_own()
    return "paper-bold" if bold else "paper"


def _all(bold: bool) -> Iterator[str]:
    """The fonts to try, in their order; those of the system are opened only when they are reached."""
    _register_own()
    yield from ("paper-bold", "noto-bold", "paper", "noto") if bold else ("paper", "noto")
    yield from (name for name in _paths() if _usable(name))


@cache
def _register_own() -> None:
    try:
        import uharfbuzz  # type: ignore[import-untyped] # noqa: F401 - reportlab shapes with it
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont

        for name in _OWN:
            pdfmetrics.registerFont(TTFont(name, _opened(name), shapable=False))
    except ImportError as error:
        raise PdfNotInstalled(str(error.name)) from None
    pdfmetrics.registerFontFamily("paper", "paper", "paper-bold")


def _open_for_shaping(name: str) -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    font = TTFont(f"{name}{SHAPED}", _opened(name), shapable=True)
    # reportlab takes two fonts of one face for the same.
    font.face.name += b"-Shaped"
    if font.fontName in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.getFont(font.fontName).unregister()
    pdfmetrics.registerFont(font)


def _opened(name: str) -> Any:
    """The file of a registered font."""
    if name not in _OWN:
        return str(_paths()[name])
    from pymupdf_fonts import fontbuffers  # type: ignore[import-untyped]

    return BytesIO(fontbuffers[_OWN[name]]())


@cache
def _paths() -> dict[str, Path]:
    """TrueType fonts of the named folder, then of the system, each in the order of their paths."""
    folders = [os.environ.get(FOLDER, ""), *_SYSTEM.get(sys.platform, ("/usr/share/fonts", "/usr/local/share/fonts"))]
    found = [sorted(Path(folder).rglob("*.tt[fc]")) for folder in folders if folder]
    return {f"further-{n}-{path.stem}": path for n, path in enumerate(path for paths in found for path in paths)}


@cache
def _usable(name: str) -> bool:
    """Whether a further font can be embedded; it is registered then."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    try:
        pdfmetrics.registerFont(TTFont(name, _opened(name), shapable=False))
    except (TTFError, OSError, ValueError, KeyError, IndexError):
        return False
    return True


@cache
def _glyphs(font: str) -> dict[int, int]:
    """What a registered font has: code point to glyph, glyph 0 (the box) left out."""
    from reportlab.pdfbase import pdfmetrics

    return {code: glyph for code, glyph in pdfmetrics.getFont(font).face.charToGlyph.items() if glyph}
