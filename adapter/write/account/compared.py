"""What became of the findings of earlier exams."""

from __future__ import annotations

from adapter.catalogue.words import key_of
from adapter.derive.view import ExamView
from adapter.document import Block, Bullets, Column, Heading, Paragraph, Row, Table, Tone, say

_ORDER = ("new", "changed", "not looked at again", "still not examined", "resolved")
_TONES = {"new": Tone.MARKED, "changed": Tone.MARKED, "not looked at again": Tone.NOTED}


def comparison(view: ExamView) -> list[Block]:
    """Changes, what is worse first, and trends; nothing where no earlier exam was given."""
    found = view.changes
    if found is None:
        return []
    words = view.catalogue.words
    blocks: list[Block] = []
    if found.changes:
        rows = tuple(
            Row(
                (say(words.say(f"changes.kind.{key_of(one.kind.value)}")), say(one.words), say(one.since or "")),
                _TONES.get(one.kind.value, Tone.PLAIN),
            )
            for one in sorted(found.changes, key=lambda one: _ORDER.index(one.kind.value))
        )
        changes, finding, since = (words.say(f"report.{key}") for key in ("changes", "finding", "since_exam"))
        blocks.append(Table(changes, (Column(changes, 2), Column(finding, 6), Column(since, 2)), rows))
    else:
        blocks.append(Paragraph(say(words.say("report.no_changes"))))
    for trend in found.trends:
        blocks += [Heading(trend.label, 3), Bullets(tuple(say(line) for line in trend.lines))]
    return blocks
