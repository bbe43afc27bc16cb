"""The tell list in blocks: by how soon; each line with what it rests on and its source."""

from __future__ import annotations

from adapter.derive import NOTHING, TITLES, Tell, sections
from adapter.document import Block, Bullets, Notice, Paragraph, Tone, say
from adapter.exam import Status, Urgency
from adapter.write.account.gathered import Account
from adapter.write.account.sources import Sources

_TONES = {
    Urgency.TELL_NOW: Tone.LOUD,
    Urgency.TELL_SOON: Tone.STRONG,
    Urgency.TELL: Tone.STRONG,
    Urgency.NONE: Tone.QUIET,
}


def tell_notices(account: Account, sources: Sources | None = None) -> list[Block]:
    """The list, most urgent first; an empty one says how little it says. A retracted exam has none.

    ``sources`` numbers the sources, which else stand in each line.
    """
    if account.exam.details.status is Status.ENTERED_IN_ERROR:
        return [Paragraph(say("A withdrawn exam has nothing to tell."))]
    blocks: list[Block] = []
    if all(tell.urgency is Urgency.NONE for tell in account.tells):
        text = f"{NOTHING[0].upper()}{NOTHING[1:]}. Not examined and not recorded are not normal."
        blocks.append(Paragraph(say(text), Tone.STRONG))
    for urgency, tells in sections(account.tells):
        title = TITLES[urgency]
        lines = tuple(block for tell in tells for block in _line(tell, sources))
        blocks.append(Notice(f"{title[0].upper()}{title[1:]} ({len(tells)})", lines, _TONES[urgency]))
    return blocks


def _line(tell: Tell, sources: Sources | None) -> list[Block]:
    because = [Bullets(tuple(say(part) for part in tell.because))] if tell.because else []
    source = sources.number_of(tell.source) if sources else f"[{tell.source}]"
    why = Paragraph(say(f"{tell.reason} {source}"), Tone.QUIET)
    return [Paragraph(say(tell.words), Tone.STRONG), *because, why]
