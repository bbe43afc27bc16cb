"""Documents for people: a neutral model, and its writers to HTML, PDF and the XHTML of narratives."""

from adapter.document.characters import visible
from adapter.document.fonts import PdfNotInstalled
from adapter.document.html import to_html
from adapter.document.model import (
    Attached,
    Beside,
    Blank,
    Block,
    Bullets,
    Column,
    Curve,
    Document,
    Entry,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Plot,
    Row,
    Run,
    Table,
    Text,
    Tick,
    Tone,
    say,
)
from adapter.document.pdf import to_pdf
from adapter.document.xhtml import narrative, of_texts

__all__ = [
    "Attached",
    "Beside",
    "Blank",
    "Block",
    "Bullets",
    "Column",
    "Curve",
    "Document",
    "Entry",
    "Fields",
    "Heading",
    "Notice",
    "Paragraph",
    "PdfNotInstalled",
    "Plot",
    "Row",
    "Run",
    "Table",
    "Text",
    "Tick",
    "Tone",
    "narrative",
    "of_texts",
    "say",
    "to_html",
    "to_pdf",
    "visible",
]
