"""Documents as PDF, read back with pypdf: text, furniture of every page, scripts, long tables, the same bytes."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import pytest
from pymupdf_fonts import fontbuffers
from pypdf import PdfReader
from test_paper_html import HOSTILE, page

from adapter.document import Column, Document, Entry, Heading, Paragraph, Row, Run, Table, Tick, Tone, say, to_pdf


def texts(pdf: bytes) -> list[str]:
    """The text of each page, white space made one."""
    return [re.sub(r"\s+", " ", one.extract_text()) for one in PdfReader(BytesIO(pdf)).pages]


def document(*blocks: object, **more: object) -> Document:
    """A document about an invented newborn."""
    running = say("Girl Testfield 26-0001")
    return Document(title="A title", language="en", running=running, foot="The foot", blocks=blocks, **more)


def test_metadata_and_language() -> None:
    reader = PdfReader(BytesIO(to_pdf(document(Paragraph(say("x")), author="N. Invented", subject="A subject"))))
    assert reader.metadata is not None
    assert reader.metadata.title == "A title"
    assert reader.metadata.author == "N. Invented"
    assert reader.metadata.subject == "A subject"
    assert reader.trailer["/Root"]["/Lang"] == "en"


def test_long_tables_repeat_their_headings_and_every_page_says_whom_it_is_about() -> None:
    rows = tuple(Row((say(f"row {n}"), say("found"))) for n in range(150))
    named = Table("A region", (Column("A region", 1), Column("Found it", 2)), rows)
    captioned = Table("A caption", (Column("First", 1), Column("Found it", 2)), rows)
    for table, heading in ((named, "A region Found it"), (captioned, "A caption First Found it")):
        pages = texts(to_pdf(document(table)))
        assert len(pages) > 2
        for number, text in enumerate(pages, start=1):
            assert heading in text
            assert "Girl Testfield 26-0001" in text
            assert f"page {number} of {len(pages)}" in text
            assert "The foot" in text
        whole = " ".join(pages)
        assert all(f"row {n} " in whole for n in range(150))


def test_a_cell_longer_than_a_page_and_a_word_longer_than_a_line() -> None:
    table = Table("T", (Column("T", 1), Column("Said", 1)), (Row((say("x"), say("word " * 3000 + "end."))),))
    whole = " ".join(texts(to_pdf(document(table, Paragraph(say("y" * 900))))))
    assert whole.count("word") == 3000
    assert "end." in whole
    assert whole.count("y") >= 900


@pytest.mark.parametrize(
    "name",
    ["Łucja Żółć-Ñandú", "Ελένη Παπαδοπούλου", "Олена Ґалаґан", "ნინო", "Nguyễn Thị Ánh", "Ağaoğlu İpek", "สมหญิง"],
)
def test_names_in_many_scripts_can_be_read_and_found(name: str) -> None:
    (text,) = texts(to_pdf(document(Paragraph(say(name)))))
    assert name.replace(" ", "") in text.replace(" ", "")
    assert "written out by code point" not in text


@pytest.mark.parametrize(("name", "first"), [("مريم بنت علي", "ﻣ"), ("מרים בת דוד", "מ")])
def test_names_that_run_from_right_to_left(name: str, first: str) -> None:
    """Joined and in the order of sight: the first letter of the name stands last on the line."""
    (text,) = texts(to_pdf(document(Paragraph(say(name)))))
    assert "U+" not in text
    shown = text.split("A title ")[1].split(" The foot")[0]
    assert first in (shown[0], shown[-1])


def test_what_no_font_has_is_written_out_and_said() -> None:
    (text,) = texts(to_pdf(document(Paragraph(say("Baby \U0001f37c \u202ex \ue123"), Tone.STRONG))))
    assert "Baby [U+1F37C] [U+202E]x [U+E123]" in text
    assert "1 character that no font here can show is written out by code point, such as [U+1F37C]" in text


def test_scripts_that_need_shaping_are_shaped() -> None:
    """Devanagari: the vowel sign is drawn before its consonant, by a glyph of the conjunct (OpenType, shaping)."""
    plain = to_pdf(document(Paragraph(say("Priya"))))
    shaped = to_pdf(document(Paragraph(say("प्रिया"))))
    assert b"-Shaped" in shaped
    assert b"-Shaped" not in plain
    (text,) = texts(shaped)
    assert "U+" not in text


@pytest.mark.parametrize("beside", [")", "ǔ", "מ", "ﷲ", "[U+2832C]", "abc"])
def test_a_shaped_word_stands_beside_any_other(beside: str) -> None:
    """Without a space between, in one text or in two parts of it, and in either order."""
    word = "न्हृे"
    for parts in ((word, beside), (beside, word), (word, "प्रि", beside)):
        runs = [say(*(Run(part) for part in parts)), say("".join(parts))]
        found = "".join(texts(to_pdf(document(*(Paragraph(run) for run in runs)))))
        assert found.count(beside[0]) >= 1
        assert "न" in found


def test_fonts_are_embedded() -> None:
    fonts = PdfReader(BytesIO(to_pdf(document(Paragraph(say("x")))))).pages[0]["/Resources"]["/Font"]
    embedded = [
        font.get_object().get("/FontDescriptor") for font in fonts.values() if "FiraGO" in str(font.get_object())
    ]
    assert embedded
    assert all("/FontFile2" in one.get_object() for one in embedded)


@pytest.mark.parametrize("text", ["plain", HOSTILE, "प्रिया", "مريم"])
@pytest.mark.parametrize("columns", [1, 3])
def test_the_same_document_is_the_same_bytes(text: str, columns: int) -> None:
    first = to_pdf(page(text, columns=columns))
    to_pdf(page("something else प्रिया क्ष", columns=columns))
    assert to_pdf(page(text, columns=columns)) == first


def test_hostile_text_is_only_text() -> None:
    text = " ".join(texts(to_pdf(page(HOSTILE))))
    assert "<script>alert(1)</script>" in text
    assert "[U+202E]evil" in text


def test_banner_and_columns() -> None:
    entries = [Entry((say("Question ", Tick("L"), f"answer{n}"),)) for n in range(300)]
    pages = texts(to_pdf(document(Heading("A region", 3), *entries, columns=3, banner="ENTERED IN ERROR")))
    assert all("ENTERED IN ERROR" in text for text in pages)
    whole = " ".join(pages)
    assert all(f"answer{n} " in f"{whole} " for n in range(300))


def test_without_the_extra_it_says_how_to_install_it() -> None:
    program = (
        "import sys\n"
        "sys.modules['reportlab'] = None\n"
        "from adapter.document import PdfNotInstalled, Document, to_pdf\n"
        "try:\n    to_pdf(Document('t', 'en', (), '', ()))\n"
        "except PdfNotInstalled as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert "pip install '.[pdf]'" in done.stdout
    assert "reportlab" in done.stdout


def test_a_folder_of_fonts_may_be_named(tmp_path: Path) -> None:
    """Its fonts are tried before those of the system; what is no font is passed over."""
    (tmp_path / "a-broken.ttf").write_bytes(b"no font")
    (tmp_path / "mono.ttf").write_bytes(fontbuffers["ubuntm"]())
    program = (
        "import sys\nfrom adapter.document import Document, Paragraph, say, to_pdf\n"
        "document = Document('t', 'en', say('x'), '', (Paragraph(say('\u256c')),))\n"
        "sys.stdout.buffer.write(to_pdf(document))\n"
    )
    environment = {**os.environ, "NEWBORN_ADAPTER_FONTS": str(tmp_path)}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True, env=environment)
    assert b"UbuntuMono" in done.stdout
    assert "\u256c" in texts(done.stdout)[0]
