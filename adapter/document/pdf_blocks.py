"""The blocks of a document as what reportlab lays out. Imported only where reportlab is installed."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from itertools import pairwise
from typing import Any

from reportlab.lib.colors import HexColor, black, white
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import CondPageBreak, Flowable, FrameBreak, KeepTogether, Paragraph, Spacer, Table

from adapter.document import model
from adapter.document.fonts import SHAPED, Fonts
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
    Plot,
    Run,
    Text,
    Tick,
    Tone,
)
from adapter.document.pdf_lines import FormLine
from adapter.document.plot import HEIGHT, WIDTH, Dot, Stroke, marks

INK, QUIET, RULE, BAR = HexColor("#1d1d1b"), HexColor("#5a5852"), HexColor("#b9b4a8"), HexColor("#8c2f1b")
_BOLD = frozenset({Tone.STRONG, Tone.LOUD, Tone.MARKED})
_NO_PADDING = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]

_SEAM = "\0"
"""Stands where one piece of a text ends."""
# reportlab shapes a word of several fonts by the first of them, and so looks for glyphs that the others do not have:
# a space of no width makes words of their own of them.
_APART = '<font name="paper" size="0.1"> </font>'


class Drawer:
    """Makes flowables in one size of text."""

    def __init__(self, fonts: Fonts, size: float) -> None:
        self._fonts, self._size = fonts, size

    def flowables(self, blocks: Iterable[Block], width: float) -> list[Any]:
        """All blocks, one after the other."""
        found: list[Any] = []
        above: list[Any] = []
        for block, after in pairwise([*blocks, None]):
            assert block is not None
            if isinstance(block, Heading) and isinstance(after, Plot | Beside):
                found.append(CondPageBreak(HEIGHT + self._size * 7))
            made = self._block(block, width)
            if isinstance(block, Heading) and isinstance(after, Entry):
                above = made[1:]
                continue
            found += [KeepTogether([*above, *made])] if isinstance(block, Entry) else made
            above = []
        return found

    def title(self, document: Document, width: float) -> list[Any]:
        """The title and its line."""
        found = [self._paragraph(model.say(Run(document.title, Tone.STRONG)), size=self._size + 7, after=2)]
        if document.subject:
            found.append(self._paragraph(model.say(document.subject), colour=QUIET, after=6))
        return found

    def header(self, document: Document) -> list[Any]:
        """What stands above every page: whom it is about, ruled off, and the banner."""
        line = Table([[self._paragraph(document.running, size=8.2)]], colWidths=["100%"])
        line.setStyle(
            [*_NO_PADDING, ("LINEBELOW", (0, 0), (-1, -1), 1.6, INK), ("BOTTOMPADDING", (0, 0), (-1, -1), 4)]
        )
        found = [line, Spacer(1, 6)]
        if document.banner:
            banner = self._paragraph(
                model.say(Run(document.banner, Tone.STRONG)), size=11, colour=white, centred=True
            )
            band = Table([[banner]], colWidths=["100%"])
            band.setStyle([("BACKGROUND", (0, 0), (-1, -1), black), ("TOPPADDING", (0, 0), (-1, -1), 4)])
            found[1:] = [band, Spacer(1, 6)]
        return found

    def footer(self, document: Document) -> list[Any]:
        """What stands below every page, but for its number."""
        return [self._paragraph(model.say(document.foot), size=6.8, colour=QUIET)]

    def next_frame(self) -> Any:
        """On to the next column."""
        return FrameBreak()

    def _block(self, block: Block, width: float) -> list[Any]:
        match block:
            case Heading(text=text, level=level):
                return self._heading(text, level, width)
            case model.Paragraph(text=text, tone=tone):
                return self._barred(self._paragraph(text, tone), tone, width)
            case Bullets(lines=lines):
                return [self._paragraph(line, bullet=True) for line in lines]
            case Entry(lines=lines):
                return [*(self._paragraph(line, after=0) for line in lines), Spacer(1, 2.4)]
            case Fields(pairs=pairs):
                return self._fields(pairs, width)
            case model.Table():
                return self._table(block, width)
            case Plot():
                return [KeepTogether([_Drawing(block, self._fonts), self._caption(block)])]
            case Beside(plots=plots):
                return self._beside(plots, width)
            case Notice():
                return self._notice(block, width)

    def _heading(self, text: str, level: int, width: float) -> list[Any]:
        size = self._size + (2.2 if level == 2 else 0.8)
        written = self._paragraph(model.say(Run(text, Tone.STRONG)), size=size, after=0)
        holder = Table([[written]], colWidths=[width])
        rule = [("LINEABOVE", (0, 0), (-1, -1), 0.8, INK)] if level == 2 else []
        holder.setStyle([*_NO_PADDING, ("TOPPADDING", (0, 0), (-1, -1), 2), *rule])
        holder.keepWithNext = 1
        gap = self._size * (0.8 if level == 2 else 0.4)
        return [CondPageBreak(self._size * 5), Spacer(1, gap), holder, Spacer(1, 2)]

    def _caption(self, plot: Plot) -> Any:
        return self._paragraph(model.say(plot.alt), size=self._size - 2, colour=QUIET)

    def _paragraph(
        self,
        text: Text,
        tone: Tone = Tone.PLAIN,
        *,
        size: float | None = None,
        colour: Any = None,
        after: float = 1.5,
        bullet: bool = False,
        centred: bool = False,
    ) -> Any:
        size = size or self._size
        if any(isinstance(part, Tick | Blank) for part in text):
            return FormLine(text, self._fonts, size, tone)
        written = "".join(self._part(part, tone) for part in text if isinstance(part, Run))
        shaped = f'{SHAPED}">' in written
        style = ParagraphStyle(
            "text",
            fontName=f"paper{SHAPED}" if shaped else "paper",
            fontSize=size,
            leading=size * 1.24,
            textColor=colour or (QUIET if tone is Tone.QUIET else INK),
            spaceAfter=after,
            leftIndent=8 if bullet else 0,
            bulletFontName="paper",
            bulletFontSize=size,
            alignment=1 if centred else 0,
            shaping=int(shaped),
        )
        return Paragraph(written.replace(_SEAM, _APART if shaped else ""), style, bulletText="•" if bullet else None)

    def _part(self, part: Run, outer: Tone) -> str:
        tone = part.tone if part.tone is not Tone.PLAIN else outer
        pieces = self._fonts.pieces(part.text, tone in _BOLD)
        written = "".join(f'<font name="{font}">{escape(text)}</font>{_SEAM}' for font, text in pieces)
        written = written.replace("\n", "<br/>")
        if part.tone is Tone.LOUD:
            return f'<font color="white" backColor="black">\u00a0{written}\u00a0</font>'
        return f'<font color="#5a5852">{written}</font>' if part.tone is Tone.QUIET else written

    def _barred(self, paragraph: Any, tone: Tone, width: float) -> list[Any]:
        if tone not in (Tone.MARKED, Tone.NOTED, Tone.LOUD):
            return [paragraph]
        holder = Table([[paragraph]], colWidths=[width], splitInRow=1)
        weight = 1.2 if tone is Tone.NOTED else 3
        holder.setStyle(
            [*_NO_PADDING, ("LEFTPADDING", (0, 0), (-1, -1), 6), ("LINEBEFORE", (0, 0), (0, -1), weight, BAR)]
        )
        return [holder, Spacer(1, 2)]

    def _fields(self, pairs: tuple[tuple[str, Text], ...], width: float) -> list[Any]:
        """Labels and values, two pairs a row."""
        cells = [(self._paragraph(model.say(label), Tone.QUIET), self._paragraph(value)) for label, value in pairs]
        rows = [[*cells[n], *(cells[n + 1] if n + 1 < len(cells) else ("", ""))] for n in range(0, len(cells), 2)]
        table = Table(rows, colWidths=[width * share for share in (0.15, 0.36, 0.13, 0.36)], splitInRow=1)
        table.setStyle([*_grid(), ("LINEBELOW", (0, 0), (-1, -1), 0.3, RULE)])
        return [table, Spacer(1, 3)]

    def _table(self, table: model.Table, width: float) -> list[Any]:
        shares = sum(column.share for column in table.columns)
        heads = [self._paragraph(model.say(c.label), Tone.QUIET, size=self._size - 1.4) for c in table.columns]
        caption = self._paragraph(model.say(Run(table.caption, Tone.STRONG)), after=0)
        top = [[caption, *heads[1:]]] if table.named_by_column else [[caption], heads]
        rows = [[self._paragraph(cell, after=0) for cell in _strong_first(row)] for row in table.rows]
        made = Table(
            [*top, *rows],
            colWidths=[width * column.share / shares for column in table.columns],
            repeatRows=len(top),
            splitInRow=1,
        )
        last = len(top) - 1
        style: list[Any] = [
            *_grid(),
            ("VALIGN", (0, 0), (-1, last), "BOTTOM"),
            ("LINEBELOW", (0, last + 1), (-1, -1), 0.3, RULE),
            ("LINEBELOW", (0, last), (-1, last), 0.7, INK),
            *([("SPAN", (0, 0), (-1, 0))] if last else []),
        ]
        for n, row in enumerate(table.rows, start=len(top)):
            if row.tone in (Tone.MARKED, Tone.LOUD, Tone.NOTED):
                style.append(("LINEBEFORE", (0, n), (0, n), 1.2 if row.tone is Tone.NOTED else 3.2, BAR))
        made.setStyle(style)
        return [CondPageBreak(self._size * 7), Spacer(1, 3), made, Spacer(1, 4)]

    def _beside(self, plots: tuple[Plot, ...], width: float) -> list[Any]:
        across = max(int(width // WIDTH), 1)
        cells: list[Any] = [[_Drawing(plot, self._fonts), self._caption(plot)] for plot in plots]
        rows = [(cells[n : n + across] + [""] * across)[:across] for n in range(0, len(cells), across)]
        holder = Table(rows, colWidths=[width / across] * across)
        holder.setStyle([*_NO_PADDING, ("VALIGN", (0, 0), (-1, -1), "TOP"), ("RIGHTPADDING", (0, 0), (-1, -1), 8)])
        return [holder]

    def _notice(self, notice: Notice, width: float) -> list[Any]:
        loud = notice.tone is Tone.LOUD
        title = self._paragraph(
            model.say(Run(notice.title, Tone.STRONG)), size=self._size + 1.4, colour=white if loud else INK, after=0
        )
        inside = [one for one in self.flowables(notice.blocks, width - 20) if not isinstance(one, CondPageBreak)]
        holder = Table([[title], *([one] for one in inside)], colWidths=[width], splitInRow=1)
        style: list[Any] = [
            ("BOX", (0, 0), (-1, -1), 2.4 if loud else 0.8, INK),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ("LEFTPADDING", (0, 0), (-1, -1), 8),
            ("BOTTOMPADDING", (0, -1), (-1, -1), 5),
        ]
        if loud:
            style.append(("BACKGROUND", (0, 0), (-1, 0), black))
        holder.setStyle(style)
        return [Spacer(1, 3), holder, Spacer(1, 6)]


def _strong_first(row: model.Row) -> list[Text]:
    """The header cell of a marked row is bold; the bar beside it is not all that says so."""
    if row.tone not in (Tone.MARKED, Tone.LOUD):
        return list(row.cells)
    first = tuple(Run(part.text, Tone.STRONG) if isinstance(part, Run) else part for part in row.cells[0])
    return [first, *row.cells[1:]]


def _grid() -> list[Any]:
    return [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
        ("LEFTPADDING", (0, 0), (-1, -1), 5),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
    ]


class _Drawing(Flowable):  # type: ignore[misc]
    """A plot, drawn in lines and words."""

    def __init__(self, plot: Plot, fonts: Fonts) -> None:
        super().__init__()
        self.width, self.height = WIDTH, HEIGHT
        self._plot, self._fonts = plot, fonts

    def draw(self) -> None:
        """Draw on the canvas that reportlab has set."""
        canvas = self.canv
        for mark in marks(self._plot):
            if isinstance(mark, Stroke):
                canvas.setStrokeColor(HexColor("#8a8a8a") if mark.grey else INK)
                canvas.setLineWidth(mark.weight)
                path = canvas.beginPath()
                path.moveTo(*mark.points[0])
                for point in mark.points[1:]:
                    path.lineTo(*point)
                canvas.drawPath(path)
            elif isinstance(mark, Dot):
                canvas.setFillColor(INK)
                canvas.circle(mark.x, mark.y, 2.4, stroke=0, fill=1)
            else:
                pieces = list(self._fonts.pieces(mark.text, mark.strong))
                whole = sum(canvas.stringWidth(text, font, 7.4) for font, text in pieces)
                x = mark.x - {"start": 0.0, "middle": whole / 2, "end": whole}[mark.anchor]
                for font, text in pieces:
                    canvas.setFont(font, 7.4)
                    canvas.setFillColor(INK)
                    canvas.drawString(x, mark.y, text)
                    x += canvas.stringWidth(text, font, 7.4)


def furnished(right: float, low: float, page_of: str) -> type[Any]:
    """A canvas that writes ``page n of m`` when it knows m."""

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *arguments: Any, **named: Any) -> None:
            super().__init__(*arguments, **named)
            self._kept: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 - reportlab's name
            self._kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for n, page in enumerate(self._kept, start=1):
                self.__dict__.update(page)
                self.setFont("paper", 6.8)
                self.setFillColor(QUIET)
                self.drawRightString(right, low, page_of.format(page=n, pages=len(self._kept)))
                super().showPage()
            super().save()

    return Numbered
