"""Documents for people: a neutral model, and its writers to HTML, PDF and the XHTML of narratives."""

from adapter.paper.characters import visible
from adapter.paper.fonts import PdfNotInstalled
from adapter.paper.html import to_html
from adapter.paper.model import (
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
from adapter.paper.pdf import to_pdf
from adapter.paper.xhtml import narrative

__all__ = [
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
    "say",
    "to_html",
    "to_pdf",
    "visible",
]
