"""What became of the findings of earlier exams."""

from __future__ import annotations

from adapter.derive.view import ExamView
from adapter.document import Block, Bullets, Column, Heading, Paragraph, Row, Table, Tone, say

_COLUMNS = (Column("Changes", 2), Column("Finding", 6), Column("Since exam", 2))
_ORDER = ("new", "changed", "not looked at again", "still not examined", "resolved")
_TONES = {"new": Tone.MARKED, "changed": Tone.MARKED, "not looked at again": Tone.NOTED}


def comparison(view: ExamView) -> list[Block]:
    """Changes, what is worse first, and trends; nothing where no earlier exam was given."""
    found = view.changes
    if found is None:
        return []
    blocks: list[Block] = []
    if found.changes:
        rows = tuple(
            Row((say(one.kind.value), say(one.words), say(one.since or "")), _TONES.get(one.kind.value, Tone.PLAIN))
            for one in sorted(found.changes, key=lambda one: _ORDER.index(one.kind.value))
        )
        blocks.append(Table("Changes", _COLUMNS, rows))
    else:
        blocks.append(Paragraph(say("Nothing that was looked at again is new, changed or resolved.")))
    for trend in found.trends:
        blocks += [Heading(trend.label, 3), Bullets(tuple(say(line) for line in trend.lines))]
    return blocks
