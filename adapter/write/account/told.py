"""The tell list in blocks: by how soon; each line with what it rests on and its source."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.derive import (
    FindingView,
    SeriesLine,
    other_in_words,
    section_key,
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
    words = view.catalogue.words
    if view.exam.details.status is Status.ENTERED_IN_ERROR:
        return [Paragraph(say(words.say("tell.withdrawn")))]
    blocks: list[Block] = []
    if all(one.resolved or one.line.urgency is Urgency.NONE for one in view.lines):
        blocks.append(Paragraph(say(words.say("tell.nothing_honest")), Tone.STRONG))
    for urgency, chosen in sections(view.lines):
        title = words.say(f"tell.title.{section_key(urgency)}")
        tone = _TONES[urgency] if urgency else Tone.QUIET
        lines = tuple(block for one in chosen for block in _line(one, view, sources))
        blocks.append(Notice(words.say("tell.with_count", title=title, number=len(chosen)), lines, tone))
    if others := view.told.others:
        said = tuple(say(other_in_words(one, view.exam, view.catalogue)) for one in others)
        blocks.append(Notice(words.say("tell.others", number=len(others)), (Bullets(said),), Tone.QUIET))
    if not_judged := view.not_judged:
        lines = tuple(block for reason, ones in not_judged for block in _not_judged(reason, ones))
        count = sum(len(ones) for _, ones in not_judged)
        blocks.append(Notice(words.say("tell.not_judged", number=count), lines, Tone.QUIET))
    return blocks


def _not_judged(reason: str, ones: Sequence[FindingView]) -> list[Block]:
    return [Paragraph(say(reason), Tone.QUIET), Bullets(tuple(say(one.words) for one in ones))]


def _line(one: SeriesLine, view: ExamView, sources: Sources | None) -> list[Block]:
    tell, standing = one.line, standing_in_words(one, view.catalogue.words, title=True)
    told = [told_in_words(told, tell, view.exam, view.catalogue, sentence=True) for told in one.told]
    known = [Bullets(tuple(say(said) for said in told))] if told else []
    because = [Bullets(tuple(say(part) for part in tell.because))] if tell.because else []
    source = sources.number_of(tell.source) if sources else f"[{tell.source}]"
    why = Paragraph(say(f"{tell.reason} {source}"), Tone.QUIET)
    stands = [Paragraph(say(standing))] if standing else []
    return [Paragraph(say(tell.words), Tone.STRONG), *stands, *known, *because, why]
