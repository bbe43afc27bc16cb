"""The paper worksheet: a blank sheet of one kind of exam to print, in its order, for wards without a tablet.

Everything on it comes from the catalogue and the site's folder: items, answers, units, ranges, reasons, cautions.
Nothing is ticked beforehand: an item without a mark is *not recorded*.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Literal

from adapter import SOFTWARE_VERSION
from adapter.catalogue import Catalogue, Words
from adapter.derive import span_in_words
from adapter.document import (
    Blank,
    Block,
    Bullets,
    Document,
    Heading,
    Paragraph,
    Run,
    Text,
    Tick,
    Tone,
    say,
    to_html,
    to_pdf,
)
from adapter.exam import Sex, Urgency
from adapter.forms.worksheet_items import MARKS, blank, entry, tick

_CAUTIONS = ("caution_policy", "caution_blank", "caution_range", "caution_colour")


def to_worksheet(catalogue: Catalogue, kind: str, *, encoding: str = "html", paper: str = "a4") -> bytes:
    """The sheet of a kind of exam as ``html`` or ``pdf``, on ``a4`` or ``letter``; one catalogue, one result.

    Raises ``KeyError`` for an unknown kind, ``ValueError`` for another encoding or paper, and
    :class:`adapter.document.PdfNotInstalled` for ``pdf`` without the extra.
    """
    if encoding not in ("html", "pdf"):
        raise ValueError(f"a worksheet is written as html or pdf, not as {encoding}")
    if paper not in ("a4", "letter"):
        raise ValueError(f"a worksheet is printed on a4 or letter, not on {paper}")
    document = worksheet(catalogue, kind, "a4" if paper == "a4" else "letter")
    return to_pdf(document) if encoding == "pdf" else to_html(document)


def worksheet(catalogue: Catalogue, kind: str, paper: Literal["a4", "letter"] = "a4") -> Document:
    """The sheet as a document of blocks."""
    policy, words = catalogue.settings.policy, catalogue.words
    return Document(
        title=words.say("sheet.title", kind=catalogue.kinds[kind].label),
        language=catalogue.language,
        page_of=words.template("document.page_of"),
        unshown=words.both("document.unshown"),
        running=_identity(words),
        foot=words.say(
            "sheet.foot",
            software=SOFTWARE_VERSION,
            catalogue=catalogue.settings.version,
            policy=policy.name,
            date=policy.date,
            kind=kind,
        ),
        lead=tuple(_lead(catalogue)),
        blocks=(
            *_regions(catalogue, kind),
            Heading(words.say("sheet.cautions")),
            _cautions(catalogue, kind),
        ),
        paper=paper,
        columns=3,
    )


def _cautions(catalogue: Catalogue, kind: str) -> Bullets:
    """What to mind, and of which age the kind of exam is (the commonest slip is the year of birth)."""
    hours, words = catalogue.kinds[kind].age_hours, catalogue.words
    said = [words.say(f"sheet.{key}") for key in _CAUTIONS]
    if hours is not None:
        said.insert(0, words.say("sheet.caution_age", hours=span_in_words(hours, words)))
    return Bullets(tuple(map(say, filter(None, (*said, words.remark())))))


def _written(words: Words, *parts: str | int | Tick) -> Iterator[str | Run | Tick | Blank]:
    """Words of the sheet by their keys; a number is a line to write on, so many millimetres long."""
    for part in parts:
        if isinstance(part, int):
            yield blank(part, words)
        else:
            yield words.say(f"sheet.{part}") if isinstance(part, str) else part


def _identity(words: Words) -> Text:
    """What stands on every page, so that no loose sheet is anybody's."""
    sexes = (tick(words, words.say(f"sheet.{sex}")) for sex in ("female", "male"))
    return say(
        Run(words.say("sheet.newborn"), Tone.STRONG),
        *_written(words, 42, "identifier", 32, "born", 26),
        "  ",
        next(sexes),
        " ",
        next(sexes),
        *_written(words, "exam", 20),
    )


def _lead(catalogue: Catalogue) -> Iterator[Block]:
    """Who and when in full, and the keys to the numbers used below."""
    words = catalogue.words
    sexes = _ticks(words, *(words.say(f"sex.{sex.value}") for sex in Sex))
    born = _written(words, "born_on", 22, "born_at", 14, "offset", 12, "number", 6, "number_of", 6)
    gestation = _written(words, "gestation", 8, "weeks", 6, "days")
    yield Paragraph(say(words.say("sheet.sex"), *sexes, *born, *gestation))
    yield Paragraph(say(*_written(words, "mother", 36, "place", 30, "encounter", 26)))
    yield Paragraph(
        say(*_written(words, "started", 24, "ended", 24, "examiner", 40), "  ")
        + say(*_ticks(words, *(role.label for role in catalogue.roles.values())))
    )
    strong = {
        key: Run(words.say(f"sheet.{key}"), Tone.STRONG) for key in ("marks", "not_examined", "reasons", "states")
    }
    marks = {urgency: Run(mark, Tone.STRONG) for urgency, mark in MARKS.items()}
    yield Paragraph(
        say(
            strong["marks"],
            words.say("sheet.marks_tick"),
            marks[Urgency.TELL_NOW],
            words.say("sheet.marks_now"),
            marks[Urgency.TELL_SOON],
            words.say("sheet.marks_soon"),
            marks[Urgency.TELL],
            words.say("sheet.marks_tell"),
            strong["not_examined"],
            words.say("sheet.marks_not_examined"),
        )
    )
    yield Paragraph(say(strong["reasons"], _numbered([r.label for r in catalogue.reasons.values()])))
    yield Paragraph(say(strong["states"], _numbered([s.label for s in catalogue.states.values()])))


def _ticks(words: Words, *labels: str) -> Iterator[str | Tick]:
    for label in labels:
        yield tick(words)
        yield f"{label}  "


def _numbered(labels: list[str]) -> str:
    return "  ".join(f"{n}\u00a0{label}." for n, label in enumerate(labels, start=1))


def _regions(catalogue: Catalogue, kind: str) -> Iterator[Block]:
    """The items by region; a line for what has no box of its own ends each."""
    for region, items in groupby(catalogue.expected(kind), key=lambda item: catalogue.region_of[item.id]):
        yield Heading(catalogue.regions[region].label)
        for item in items:
            yield entry(item, catalogue)
        yield Paragraph(say(Run(catalogue.words.say("sheet.other"), Tone.QUIET), blank(34, catalogue.words)))
