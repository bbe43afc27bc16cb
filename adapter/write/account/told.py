"""The tell list in blocks: by how soon; each line with what it rests on and its source."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.derive import (
    NOTHING,
    RESOLVED,
    TITLES,
    FindingView,
    SeriesLine,
    other_in_words,
    sections,
    standing_in_words,
    told_in_words,
)
from adapter.derive.view import ExamView
from adapter.document import Block, Bullets, Notice, Paragraph, Tone, say
from adapter.exam import Status, Urgency
from adapter.write.account.sources import Sources

_TONES = {
    Urgency.TELL_NOW: Tone.LOUD,
    Urgency.TELL_SOON: Tone.STRONG,
    Urgency.TELL: Tone.STRONG,
    Urgency.NONE: Tone.QUIET,
}


def tell_notices(view: ExamView, sources: Sources | None = None) -> list[Block]:
    """The list, most urgent first; an empty one says how little it says. A retracted exam has none.

    ``sources`` numbers the sources, which else stand in each line.
    """
    if view.exam.details.status is Status.ENTERED_IN_ERROR:
        return [Paragraph(say("A withdrawn exam has nothing to tell."))]
    blocks: list[Block] = []
    if all(one.resolved or one.line.urgency is Urgency.NONE for one in view.lines):
        text = f"{NOTHING[0].upper()}{NOTHING[1:]}. Not examined and not recorded are not normal."
        blocks.append(Paragraph(say(text), Tone.STRONG))
    for urgency, chosen in sections(view.lines):
        title, tone = (TITLES[urgency], _TONES[urgency]) if urgency else (RESOLVED, Tone.QUIET)
        lines = tuple(block for one in chosen for block in _line(one, view, sources))
        blocks.append(Notice(f"{title[0].upper()}{title[1:]} ({len(chosen)})", lines, tone))
    if others := view.told.others:
        said = tuple(say(other_in_words(one, view.exam, view.catalogue)) for one in others)
        blocks.append(Notice(f"Told of what is not on the list ({len(others)})", (Bullets(said),), Tone.QUIET))
    if not_judged := view.not_judged:
        lines = tuple(block for reason, ones in not_judged for block in _not_judged(reason, ones))
        count = sum(len(ones) for _, ones in not_judged)
        blocks.append(Notice(f"Not judged: neither expected nor abnormal ({count})", lines, Tone.QUIET))
    return blocks


def _not_judged(reason: str, ones: Sequence[FindingView]) -> list[Block]:
    return [Paragraph(say(reason), Tone.QUIET), Bullets(tuple(say(one.words) for one in ones))]


def _line(one: SeriesLine, view: ExamView, sources: Sources | None) -> list[Block]:
    tell, standing = one.line, standing_in_words(one)
    words = [told_in_words(told, tell, view.exam, view.catalogue) for told in one.told]
    known = [Bullets(tuple(say(f"{said[0].upper()}{said[1:]}.") for said in words))] if words else []
    because = [Bullets(tuple(say(part) for part in tell.because))] if tell.because else []
    source = sources.number_of(tell.source) if sources else f"[{tell.source}]"
    why = Paragraph(say(f"{tell.reason} {source}"), Tone.QUIET)
    stands = [Paragraph(say(f"{standing[0].upper()}{standing[1:]}"))] if standing else []
    return [Paragraph(say(tell.words), Tone.STRONG), *stands, *known, *because, why]
