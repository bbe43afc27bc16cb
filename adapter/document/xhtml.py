"""Blocks as the XHTML of a FHIR R4 narrative (section 2.4: elements of HTML 4.0 chapters 7 to 11 and 15).

No styles, scripts, forms, images or links: what it says it says in words, lists and tables.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from adapter.document.characters import visible
from adapter.document.markup import Html, joined, tag
from adapter.document.model import (
    Beside,
    Blank,
    Block,
    Bullets,
    Column,
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

XHTML = "http://www.w3.org/1999/xhtml"
_BOLD = frozenset({Tone.STRONG, Tone.LOUD, Tone.MARKED})


def narrative(blocks: Iterable[Block], language: str | None = None) -> str:
    """One ``div`` in the XHTML namespace; ``language`` is a BCP 47 tag. There must be some text (txt-2)."""
    attributes = f' lang="{language}" xml:lang="{language}"' if language else ""
    return f'<div xmlns="{XHTML}"{attributes}>{joined(_block(block) for block in blocks)}</div>'


def of_texts(caption: str, headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of plain texts as a notebook shows it."""
    lines = tuple(Row(tuple(say(text) for text in row)) for row in rows)
    return narrative([Table(caption, tuple(Column(heading, 1) for heading in headings), lines)])


def _block(block: Block) -> Html:
    match block:
        case Heading(text=text, level=level):
            return tag(f"h{level}", text)
        case Paragraph(text=text, tone=tone):
            return tag("p", tag("b", _text(text)) if tone in _BOLD else _text(text))
        case Bullets(lines=lines):
            return tag("ul", (tag("li", _text(line)) for line in lines))
        case Entry(lines=lines):
            return joined(tag("p", _text(line)) for line in lines)
        case Fields(pairs=pairs):
            return tag("dl", (joined(tag("dt", label), tag("dd", _text(value))) for label, value in pairs))
        case Table():
            return _table(block)
        case Plot(alt=alt):
            return tag("p", alt)
        case Beside(plots=plots):
            return joined(tag("p", plot.alt) for plot in plots)
        case Notice(title=title, blocks=inner):
            return joined(tag("p", tag("b", title)), (_block(one) for one in inner))


def _table(table: Table) -> Html:
    head = tag("tr", (tag("th", column.label) for column in table.columns))
    body = (tag("tr", (tag("td", _text(cell)) for cell in row.cells)) for row in table.rows)
    caption = None if table.named_by_column else tag("caption", table.caption)
    return tag("table", caption, tag("thead", head), tag("tbody", body))


def _text(text: Text) -> Html:
    return joined(_part(part) for part in text)


def _part(part: Run | Tick | Blank) -> Html:
    if isinstance(part, Tick):
        return joined(f"[{part.mark or ' '}]")
    if isinstance(part, Blank):
        return joined("____")
    lines = visible(part.text).split("\n")
    written = joined(lines[0], (joined(tag("br"), line) for line in lines[1:]))
    return tag("b", written) if part.tone in _BOLD else written
