"""The paper worksheet: a blank sheet of one kind of exam to print, in its order, for wards without a tablet.

Everything on it comes from the catalogue and the site's folder: items, answers, units, ranges, reasons, cautions.
Nothing is ticked beforehand: an item without a mark is *not recorded*.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Literal

from adapter import __version__
from adapter.catalogue import Catalogue
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
from adapter.forms.worksheet_items import entry

_CAUTIONS = (
    "A record for a licensed person, not a diagnosis. Local policy and licensed practitioners decide; the ranges are "
    "this site's, for term infants, and do not apply under 34 weeks.",
    "What has no mark is not recorded; it is never read as normal. What could not be examined has its reason.",
    "A value inside a range may still be wrong for this infant. Recount what lies outside before acting on it, but "
    "do not wait to tell what must be told now.",
    "Colour and jaundice judged by eye are unreliable on dark skin: measure.",
)


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
    label = catalogue.kinds[kind].label
    policy = catalogue.settings.policy
    return Document(
        title=f"Newborn examination sheet: {label}",
        language=catalogue.language,
        running=_identity(),
        foot=f"newborn-exam-adapter {__version__}, catalogue {catalogue.settings.version}; ranges of: {policy.name} "
        f"({policy.date}). Sheet of kind {kind}.",
        lead=tuple(_lead(catalogue)),
        blocks=(
            *_regions(catalogue, kind),
            Heading("Cautions"),
            _cautions(catalogue, kind),
        ),
        paper=paper,
        columns=3,
    )


def _cautions(catalogue: Catalogue, kind: str) -> Bullets:
    """What to mind, and of which age the kind of exam is (the commonest slip is the year of birth)."""
    hours = catalogue.kinds[kind].age_hours
    said = _CAUTIONS
    if hours is not None:
        age = f"This kind of exam is of infants of {span_in_words(hours)} h of life"
        said = (f"{age}: of another age, check the year of birth.", *said)
    return Bullets(tuple(say(one) for one in said))


def _identity() -> Text:
    """What stands on every page, so that no loose sheet is anybody's."""
    return say(
        Run("Newborn ", Tone.STRONG),
        Blank(42),
        "  Identifier ",
        Blank(32),
        "  Born ",
        Blank(26),
        "  ",
        Tick("F"),
        " ",
        Tick("M"),
        "  Exam ",
        Blank(20),
    )


def _lead(catalogue: Catalogue) -> Iterator[Block]:
    """Who and when in full, and the keys to the numbers used below."""
    yield Paragraph(
        say(
            "Sex: ",
            *_ticks("female", "male", "other", "unknown"),
            "   Born: ",
            Blank(22),
            " at ",
            Blank(14),
            " offset from UTC ",
            Blank(12),
            "   Number ",
            Blank(6),
            " of ",
            Blank(6),
            "   Gestation: ",
            Blank(8),
            " weeks ",
            Blank(6),
            " days",
        )
    )
    yield Paragraph(
        say(
            "Mother's own identifier (never the newborn's): ",
            Blank(36),
            "   Place: ",
            Blank(30),
            "   Encounter: ",
            Blank(26),
        )
    )
    yield Paragraph(
        say("Started: ", Blank(24), "   Ended: ", Blank(24), "   Examiner: ", Blank(40), "  ")
        + say(*_ticks(*(role.label for role in catalogue.roles.values())))
    )
    yield Paragraph(
        say(
            Run("Marks. ", Tone.STRONG),
            "Tick what you saw; L and R are the infant's own left and right. Ring the unit you read. ",
            Run("!!", Tone.STRONG),
            " tell the provider now, ",
            Run("!s", Tone.STRONG),
            " within this shift, ",
            Run("!", Tone.STRONG),
            " tell at the next round. ",
            Run("NE", Tone.STRONG),
            " not examined: write the number of the reason.",
        )
    )
    yield Paragraph(say(Run("Reasons: ", Tone.STRONG), _numbered([r.label for r in catalogue.reasons.values()])))
    yield Paragraph(
        say(Run("States of the infant: ", Tone.STRONG), _numbered([s.label for s in catalogue.states.values()]))
    )


def _ticks(*labels: str) -> Iterator[str | Tick]:
    for label in labels:
        yield Tick()
        yield f"{label}  "


def _numbered(labels: list[str]) -> str:
    return "  ".join(f"{n}\u00a0{label}." for n, label in enumerate(labels, start=1))


def _regions(catalogue: Catalogue, kind: str) -> Iterator[Block]:
    """The items by region; a line for what has no box of its own ends each."""
    for region, items in groupby(catalogue.expected(kind), key=lambda item: catalogue.region_of[item.id]):
        yield Heading(catalogue.regions[region].label)
        for item in items:
            yield entry(item, catalogue)
        yield Paragraph(say(Run("Other, notes: ", Tone.QUIET), Blank(34)))
