"""What was not examined and why, what is not recorded, what was not computed: apart from what was found."""

from __future__ import annotations

from adapter.derive import made_at
from adapter.derive.view import ExamView
from adapter.derive.words import time_in_words
from adapter.document import Block, Bullets, Column, Paragraph, Row, Run, Table, Tone, say
from adapter.exam import Finding

_COLUMNS = (Column("Not examined", 3), Column("Side, place", 2), Column("Reason", 5), Column("Note", 6))


def not_examined(view: ExamView) -> list[Block]:
    """Each item with its reason, in the order of the exam."""
    skipped = sorted(
        (finding for finding in view.exam.findings if finding.not_examined is not None),
        key=lambda finding: view.catalogue.items[finding.item].position,
    )
    if not skipped:
        return [Paragraph(say("Nothing was marked as not examined."))]
    rows = tuple(_row(finding, view) for finding in skipped)
    return [Table("Not examined", _COLUMNS, rows)]


def _row(finding: Finding, view: ExamView) -> Row:
    catalogue = view.catalogue
    item, reason = catalogue.items[finding.item], catalogue.reasons[finding.not_examined or ""]
    later = "; for a later exam" if reason.deferred else ""
    at = made_at(finding, item, view.exam)
    tried = f"tried at {time_in_words(at, view.exam)}" if finding.observed_at is not None else ""
    note = "\n".join(filter(None, (finding.note, tried)))
    return Row((say(item.label), say(place_of(finding, view)), say(f"{reason.label}{later}"), say(note)), Tone.NOTED)


def place_of(finding: Finding, view: ExamView) -> str:
    """Side and place of a finding in words."""
    site = view.catalogue.sites[finding.site].label if finding.site else None
    return ", ".join(filter(None, (finding.side.value if finding.side else None, site)))


def not_recorded(view: ExamView) -> list[Block]:
    """What this kind of exam expects and the record does not hold, by region; it says nothing of the infant."""
    if not view.not_recorded:
        return [Paragraph(say("Nothing that this kind of exam expects is missing from the record."))]
    regions: dict[str, list[str]] = {}
    for gap in view.not_recorded:
        regions.setdefault(gap.region, []).append(str(gap))
    lines = tuple(
        say(Run(f"{view.catalogue.regions[region].label}: ", Tone.STRONG), ", ".join(gaps))
        for region, gaps in regions.items()
    )
    honest = "Expected of this kind of exam and not in the record. This says nothing of the infant; it is not normal."
    return [Paragraph(say(honest)), Bullets(lines)]


def withheld_list(view: ExamView) -> list[Block]:
    """What was not computed, and why: in place of a made-up value."""
    lines = tuple(say(str(one)) for one in view.withheld)
    return [Bullets(lines)] if lines else []
