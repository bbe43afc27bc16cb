"""Fonts for PDF: which of them has a character, and what to do where none has.

They come with the extra ``pdf``, all under the SIL Open Font License 1.1: FiraGO and Noto Sans (Latin, Greek,
Cyrillic, Arabic, Hebrew, Devanagari, Thai, Georgian), Noto Sans CJK (Chinese, Japanese, Korean). Then those of the
folder that ``NEWBORN_ADAPTER_FONTS`` names; never the system's, so that a page is the same everywhere. A character
that none of them has is written out as ``[U+1F37C]`` and remembered, so that the document can say so.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, cached_property
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from unicodedata import category

from adapter.document.characters import visible, written_out
from adapter.errors import NotInstalled

if TYPE_CHECKING:
    from typst import Fonts as Loaded

FOLDER = "NEWBORN_ADAPTER_FONTS"
HOW = "in the checkout of this project: pip install '.[pdf]'"
MAIN, SECOND = "FiraGO", "Noto Sans"
_OWN = {MAIN: ("figo", "figbo"), SECOND: ("notos", "notosbo")}
_EACH_ONCE = f'#for font in ("{MAIN}", "{SECOND}") [#text(font: font)[x *x*]]'
USUAL = frozenset("\n–—‘’“”„…•≤≥−×€") | {chr(code) for code in (*range(0x20, 0x7F), *range(0xA0, 0x180))}
"""What the main font is known to have, and a line feed: most documents need not look further."""
_JOINERS = frozenset("\u200b\u200c\u200d\u2060\u2066\u2067\u2068\u2069\u00ad\u034f\u061c\u200e\u200f")
_BREAKS = str.maketrans("\u2028\u2029\t", "   ")


class PdfNotInstalled(NotInstalled):
    """The libraries that PDF needs are not installed; the message says how to install them."""

    def __init__(self, missing: str) -> None:
        super().__init__(f"PDF needs {missing}, which is not installed; install it with: {HOW}")


class Shown:
    """What the fonts show of the texts of one document; ``unshown`` holds the characters that no font has."""

    def __init__(self) -> None:
        self.unshown: set[str] = set()

    def __call__(self, text: str) -> str:
        """The text, what cannot be shown written out."""
        if USUAL.issuperset(text):
            return text
        return "".join(self._cluster(cluster) for cluster in _clusters(visible(text).translate(_BREAKS)))

    def _cluster(self, cluster: str) -> str:
        """A letter and its marks are shown by one font: a mark that the letter's font has not is written out."""
        wanted = set(cluster) - _JOINERS
        if wanted <= USUAL or any(wanted <= family.characters for family in families()):
            return cluster
        has = next((family.characters for family in families() if cluster[0] in family.characters), frozenset())
        self.unshown |= wanted - has
        return "".join(c if c in has else written_out(c) for c in cluster if c in wanted)


def _clusters(text: str) -> Iterator[str]:
    held = ""
    for character in text:
        if held and category(character) not in ("Mn", "Mc", "Me") and character not in _JOINERS:
            yield held
            held = ""
        held += character
    yield held


@dataclass(frozen=True)
class Family:
    """The faces of one name, of which the compiler takes the one of the weight that is asked for."""

    name: str
    faces: tuple[tuple[str, int], ...]
    """Each by its file, or its name in pymupdf-fonts, and which it is in that."""

    @cached_property
    def characters(self) -> frozenset[str]:
        """What every face of it has."""
        return frozenset.intersection(*(_characters(*face) for face in self.faces))


def families() -> tuple[Family, ...]:
    """All families, in the order in which they are tried."""
    return _opened()[1]


def loaded() -> Loaded:
    """All fonts, for the compiler. Raises :class:`PdfNotInstalled`."""
    return _opened()[0]


@cache
def _opened() -> tuple[Loaded, tuple[Family, ...]]:
    try:
        from noto_cjk_sans_jp_regular import FONT_PATH
        from pymupdf_fonts import fontbuffers
        from typst import Fonts, compile
    except ImportError as error:
        raise PdfNotInstalled(str(error.name)) from None
    more = [str(Path(str(FONT_PATH)).parent), *filter(None, [os.environ.get(FOLDER)])]
    with TemporaryDirectory() as unpacked:
        for name in (name for names in _OWN.values() for name in names):
            Path(unpacked, f"{name}.ttf").write_bytes(fontbuffers[name]())
        fonts = Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[unpacked, *more])
        # A font is read when it is first used: these here, before their files are gone.
        compile(_EACH_ONCE.encode(), font_paths=fonts)
    own = [Family(name, tuple((face, 0) for face in faces)) for name, faces in _OWN.items()]
    return fonts, (*own, *(family for folder in more for family in _in_folder(folder, fonts)))


def _in_folder(folder: str, fonts: Loaded) -> Iterator[Family]:
    """The families with a font in a folder, in the order of their files; our own stay what they are."""
    found: dict[str, list[tuple[str, int]]] = {}
    for info in sorted(fonts.fonts(), key=lambda info: (info.path or "", info.index)):
        if info.path and Path(info.path).is_relative_to(folder) and info.style == "normal":
            found.setdefault(info.family, []).append((info.path, info.index))
    return (Family(name, tuple(faces)) for name, faces in found.items() if name not in _OWN)


@cache
def _characters(face: str, index: int) -> frozenset[str]:
    """What a font has a glyph for; nothing of a file that is no font."""
    from fontTools.ttLib import TTFont, TTLibError
    from pymupdf_fonts import fontbuffers

    with (
        suppress(TTLibError, OSError),
        TTFont(BytesIO(fontbuffers[face]()) if face in fontbuffers else face, fontNumber=index, lazy=True) as font,
    ):
        return frozenset(chr(code) for code, glyph in (font.getBestCmap() or {}).items() if font.getGlyphID(glyph))
    return frozenset()
