"""What a reader must know of the words themselves: who has read them, and which are English still."""

from __future__ import annotations

from adapter.catalogue import Catalogue
from adapter.document import Block, Paragraph, Tone, say


def about_words(catalogue: Catalogue) -> list[Block]:
    """That no native clinician has reviewed the words, and how many labels have none in this language."""
    words = catalogue.words
    said = [words.say("report.not_reviewed", language=words.name)] if words.reviewed is None else []
    if words.untranslated:
        said.append(words.say("report.untranslated", count=words.untranslated))
    return [Paragraph(say(" ".join(said)), Tone.STRONG)] if said else []
