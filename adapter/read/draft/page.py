"""The page of a draft: the table's columns beside what was made of them, and what is to be decided."""

from __future__ import annotations

from adapter.document import (
    Block,
    Document,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Row,
    Table,
    Text,
    Tone,
    say,
    to_html,
    visible,
)
from adapter.document import Column as Head
from adapter.read.draft.draft import Draft
from adapter.read.draft.findings import Column
from adapter.read.draft.tree import Open, certain

_SHOWN = 6
_ASKED = 12
_PERSONAL = (
    "name",
    "family",
    "given",
    "mother_name",
    "examiner_name",
    "newborn_id",
    "mother_id",
    "exam_id",
    "either_id",
)
_FIRST = (
    "Nothing here was decided by a person yet. A line with a bar has something to decide; the plan is refused until "
    "that is done. What has no bar rests on names, units and cells of the table: read it once as well."
)


def draft_page(draft: Draft) -> bytes:
    """The page in HTML. It shows cells of the table, of names and numbers of persons only how many there are."""
    sheet = draft.sheet
    about: list[tuple[str, Text]] = [
        ("Rows", say(str(sheet.rows))),
        ("Names of the columns", say(f"in row {sheet.header}")),
        ("To decide", say(str(len(draft.questions)))),
    ]
    table = certain(sheet.how)
    about += [
        (key, say(_clean(str(table[key])))) for key in ("sheet", "encoding", "delimiter", "decimal") if key in table
    ]
    if sheet.refused:
        about.append(("Rows that do not fit the header", say(str(sheet.refused))))
    blocks: tuple[Block, ...] = (
        Notice("Read first", (Paragraph(say(_FIRST)),)),
        Fields(tuple(about)),
        Heading("Columns"),
        Table(
            "Columns and what was made of them",
            (Head("Column", 3), Head("Cells", 4), Head("Read as", 4), Head("To decide", 6)),
            tuple(_row(column) for column in draft.columns),
        ),
        Heading("What is to be decided"),
        Table(
            "Each question in the order of the plan",
            (Head("Place in the plan", 4), Head("Proposal", 3), Head("Question", 6)),
            tuple(Row((say(_clean(at)), _bold(one), say(_clean(one.why)))) for at, one in draft.questions),
        ),
    )
    page = Document(
        title="A column plan, drafted",
        language="en",
        running=say(_clean(draft.name)),
        foot="newborn-adapter columns draft",
        blocks=blocks,
    )
    return to_html(page)


def _row(column: Column) -> Row:
    cells = column.cells
    counts = cells.distinct
    shown = [] if column.target.field in _PERSONAL else [text for text, _ in counts.most_common(_SHOWN)]
    more = f"{len(cells.cells)} filled, {len(counts)} different" + (": " if shown else "")
    examples = ", ".join(_clean(text[:40]) for text in shown) + (", .." if shown and len(counts) > len(shown) else "")
    made = "; ".join(dict.fromkeys(column.made)) or (
        "nothing: it stays unread" if cells.cells else "nothing: it is empty"
    )
    asked = "; ".join(_clean(f"{at}: {one.proposal}?") for at, one in column.open[:_ASKED])
    asked += f"; and {len(column.open) - _ASKED} more" if len(column.open) > _ASKED else ""
    tone = Tone.MARKED if column.open else Tone.PLAIN
    return Row((say(_clean(cells.name)), say(more + examples), say(_clean(made)), say(asked)), tone)


def _bold(one: Open) -> Text:
    return say(_clean(one.proposal) or "none")


def _clean(text: str) -> str:
    return visible(text)
