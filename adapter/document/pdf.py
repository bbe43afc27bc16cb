"""A document as PDF, through reportlab: whom it is about and "page n of m" on every page.

The same document gives the same bytes: no clock, no random ids (reportlab's ``invariant``).
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any

from adapter import SOFTWARE
from adapter.document.fonts import Fonts, PdfNotInstalled
from adapter.document.model import Document, Paragraph, Run, Tone

_MARGIN = 36.0
_GAP = 10.0


def to_pdf(document: Document) -> bytes:
    """The PDF. Raises :class:`adapter.document.PdfNotInstalled` where the extra ``pdf`` is not installed."""
    try:
        from reportlab.lib.pagesizes import A4, LETTER
        from reportlab.platypus import BaseDocTemplate, Frame, NextPageTemplate, PageTemplate
    except ImportError as error:
        raise PdfNotInstalled(str(error.name)) from None
    from adapter.document.pdf_blocks import Drawer, furnished

    fonts = Fonts()
    drawer = Drawer(fonts, 7.2 if document.columns > 1 else 9.0)
    width, height = A4 if document.paper == "a4" else LETTER
    inner = width - 2 * _MARGIN
    column = (inner - _GAP * (document.columns - 1)) / document.columns
    lead = drawer.title(document, inner) + drawer.flowables(document.lead, inner)
    story = drawer.flowables(document.blocks, column)
    if fonts.unshown:
        lead += drawer.flowables((_unshown(fonts.unshown, document),), inner)
    header, footer = drawer.header(document), drawer.footer(document)
    top = height - 22 - _height(header, inner)
    low = 24 + _height(footer, inner - 70)
    lead_height = min(_height(lead, inner) + 6, top - low - 60)

    def frames(high: float) -> list[Any]:
        none = {"leftPadding": 0, "rightPadding": 0, "topPadding": 0, "bottomPadding": 0}
        return [
            Frame(_MARGIN + n * (column + _GAP), low, column, high - low, **none) for n in range(document.columns)
        ]

    def furniture(canvas: Any, _: Any) -> None:
        _draw(header, canvas, _MARGIN, height - 20, inner)
        _draw(footer, canvas, _MARGIN, low - 6, inner - 70)

    buffer = BytesIO()
    template = BaseDocTemplate(
        buffer,
        pagesize=(width, height),
        title=document.title,
        subject=document.subject,
        author=document.author or SOFTWARE,
        creator=SOFTWARE,
        producer="reportlab",
        lang=document.language,
        invariant=1,
    )
    later = PageTemplate("later", frames(top), onPage=furniture)
    if document.columns == 1:
        template.addPageTemplates([later])
        story = [*lead, *story]
    else:
        above = Frame(_MARGIN, top - lead_height, inner, lead_height, 0, 0, 0, 0)
        first = PageTemplate("first", [above, *frames(top - lead_height)], onPage=furniture)
        template.addPageTemplates([first, later])
        story = [NextPageTemplate("later"), *lead, drawer.next_frame(), *story]
    template.build(story, canvasmaker=furnished(width - _MARGIN, low - 12, document.page_of))
    return buffer.getvalue()


def _unshown(characters: set[str], document: Document) -> Paragraph:
    count = len(characters)
    text = document.unshown[count > 1].format(count=count, example=f"[U+{ord(min(characters)):04X}]")
    return Paragraph((Run(text),), Tone.MARKED)


def _height(flowables: Sequence[Any], width: float) -> float:
    """How high flowables are, one below the other, with the space between them."""
    heights = (one.wrap(width, 10_000)[1] + one.getSpaceBefore() + one.getSpaceAfter() for one in flowables)
    return float(sum(heights))


def _draw(flowables: Sequence[Any], canvas: Any, left: float, top: float, width: float) -> None:
    for one in flowables:
        _, height = one.wrap(width, 10_000)
        one.drawOn(canvas, left, top - height)
        top -= height
