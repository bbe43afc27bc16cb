"""A document as one self-contained HTML page: no network, no scripts, prints as it reads.

A strict Content-Security-Policy (CSP Level 3) allows its one style sheet, by hash, and nothing else.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path

from adapter.document.characters import visible
from adapter.document.drawn import plotted
from adapter.document.markup import Child, Html, joined, tag
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
    Row,
    Run,
    Table,
    Text,
    Tick,
    Tone,
)

_PAGES = {"a4": "A4", "letter": "letter"}


_SHARES = 16
"""The widths of a table's columns are told in so many parts of it; the style sheet has a class for each."""


def to_html(document: Document) -> bytes:
    """The page in UTF-8; the same document gives the same bytes."""
    style = _style() + _page(document)
    digest = b64encode(sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("meta", name="author", content=document.author) if document.author else None,
        tag("title", document.title),
        tag("style", Html(style)),
    )
    body = tag(
        "body",
        tag(
            "header",
            tag("div", _text(document.running), class_="running"),
            tag("p", document.banner, class_="banner") if document.banner else None,
        ),
        tag(
            "main",
            tag("h1", document.title),
            tag("p", document.subject, class_="subject") if document.subject else None,
            _blocks(document.lead),
            tag("div", _blocks(document.blocks), class_=f"columns-{document.columns}"),
        ),
        tag("footer", document.foot),
    )
    return f"<!DOCTYPE html>\n{tag('html', head, body, lang=document.language)}\n".encode()


def _page(document: Document) -> str:
    """What every printed page but the first has above and below (CSS Paged Media Module Level 3, margin boxes)."""
    running = "".join(_plain(part) for part in document.running)
    words = f"{document.banner}  {running}" if document.banner else running
    above = f'@top-left{{content:"{_css_string(words)}";font-size:8pt;font-weight:600}}'
    before, between, after = re.split(r"\{pages?\}", document.page_of)
    numbered = f'"{before}" counter(page) "{between}" counter(pages)' + (f' "{after}"' if after else "")
    below = f"@bottom-right{{content:{numbered};font-size:7pt}}"
    return f"@page{{size:{_PAGES[document.paper]} portrait;{above}{below}}}@page :first{{@top-left{{content:none}}}}"


def _plain(part: Run | Tick | Blank) -> str:
    if isinstance(part, Tick):
        return f"[{part.mark or ' '}]"
    return visible(part.text) if isinstance(part, Run) else "_" * max(part.width // 2, 2)


def _css_string(text: str) -> str:
    """Text inside a CSS string: whatever is no letter, digit or space by its code point (CSS Syntax Level 3)."""
    return "".join(c if c.isalnum() or c == " " else f"\\{ord(c):x} " for c in text)


@cache
def _style() -> str:
    return Path(__file__).with_name("style.css").read_text("utf-8")


def _blocks(blocks: Iterable[Block]) -> Html:
    return joined(_block(block) for block in blocks)


def _block(block: Block) -> Html:
    match block:
        case Heading(text=text, level=level):
            return tag(f"h{level}", text)
        case Paragraph(text=text, tone=tone):
            return tag("p", _text(text), class_=_class(tone))
        case Bullets(lines=lines):
            return tag("ul", (tag("li", _text(line)) for line in lines))
        case Entry(lines=lines):
            return tag("div", (tag("p", _text(line)) for line in lines), class_="entry")
        case Fields(pairs=pairs):
            return tag("dl", (tag("div", tag("dt", label), tag("dd", _text(value))) for label, value in pairs))
        case Table():
            return _table(block)
        case Plot():
            return _plot(block)
        case Beside(plots=plots):
            return tag("div", (_plot(plot) for plot in plots), class_="beside")
        case Notice(title=title, blocks=inner, tone=tone):
            return tag("section", tag("h2", title), _blocks(inner), class_=f"notice {tone.value}")


def _class(tone: Tone) -> str | None:
    return None if tone is Tone.PLAIN else tone.value


def _table(table: Table) -> Html:
    whole = sum(column.share for column in table.columns)
    shares = (max(1, round(column.share * _SHARES / whole)) for column in table.columns)
    columns = (tag("col", class_=f"share-{share}") for share in shares)
    head = tag("tr", (tag("th", column.label, scope="col") for column in table.columns))
    return tag(
        "table",
        tag("caption", table.caption, class_="unseen" if table.named_by_column else None),
        tag("colgroup", columns),
        tag("thead", head, class_="naming" if table.named_by_column else None),
        tag("tbody", (_row(row, table) for row in table.rows)),
    )


def _row(row: Row, table: Table) -> Html:
    first, *others = row.cells
    cells = (
        tag("td", _text(cell), data_label=column.label)
        for cell, column in zip(others, table.columns[1:], strict=True)
    )
    return tag("tr", tag("th", _text(first), scope="row"), cells, class_=_class(row.tone))


def _text(text: Text) -> Html:
    """The parts; a box to tick stays on one line with the first word of its answer."""
    found: list[Child] = []
    boxes: list[Child] = []
    for part in text:
        if isinstance(part, Tick):
            boxes.append(_part(part))
        elif boxes and isinstance(part, Run):
            word, space, rest = part.text.partition(" ")
            found += [
                tag("span", boxes, _part(replace(part, text=word)), class_="held"),
                _part(replace(part, text=space + rest)),
            ]
            boxes = []
        else:
            found += [*boxes, _part(part)]
            boxes = []
    return joined(found, boxes)


def _part(part: Run | Tick | Blank) -> Child:
    if isinstance(part, Tick):
        label = part.says or (f"box to tick, {part.mark}" if part.mark else "box to tick")
        return tag("span", part.mark or Html("&#160;"), class_="tick", role="img", aria_label=label)
    if isinstance(part, Blank):
        size = min(max(round(part.width / 5), 1), 16)
        return tag(
            "span",
            Html("&#160;"),
            class_=f"blank blank-{size}",
            role="img",
            aria_label=part.says or "blank to fill in",
        )
    text = visible(part.text)
    if part.tone is Tone.PLAIN and not part.language:
        return text
    tone = None if part.tone is Tone.PLAIN else part.tone.value
    return tag("span", text, class_=tone, lang=part.language or None)


def _plot(plot: Plot) -> Html:
    return tag("figure", plotted(plot), tag("figcaption", plot.alt))
