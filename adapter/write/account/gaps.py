"""What was not examined and why, what is not recorded, what was not computed: apart from what was found."""

from __future__ import annotations

from adapter.derive import made_at
from adapter.derive.view import ExamView
from adapter.derive.words import time_in_words
from adapter.document import Block, Bullets, Column, Paragraph, Row, Run, Table, Tone, say
from adapter.exam import Finding

_COLUMNS = (("not_examined", 3), ("place", 2), ("reason", 5), ("note", 6))


def not_examined(view: ExamView) -> list[Block]:
    """Each item with its reason, in the order of the exam."""
    words = view.catalogue.words
    skipped = sorted(
        (finding for finding in view.exam.findings if finding.not_examined is not None),
        key=lambda finding: view.catalogue.items[finding.item].position,
    )
    if not skipped:
        return [Paragraph(say(words.say("report.none_skipped")))]
    rows = tuple(_row(finding, view) for finding in skipped)
    columns = tuple(Column(words.say(f"report.{key}"), share) for key, share in _COLUMNS)
    return [Table(words.say("report.not_examined"), columns, rows)]


def _row(finding: Finding, view: ExamView) -> Row:
    catalogue, words = view.catalogue, view.catalogue.words
    item, reason = catalogue.items[finding.item], catalogue.reasons[finding.not_examined or ""]
    later = words.say("report.later") if reason.deferred else ""
    at = made_at(finding, item, view.exam)
    tried = (
        words.say("report.tried", at=time_in_words(at, view.exam, words)) if finding.observed_at is not None else ""
    )
    note = "\n".join(filter(None, (finding.note, tried)))
    return Row(
        (say(item.label), say(place_of(finding, view)), say(words.clauses((reason.label, later))), say(note)),
        Tone.NOTED,
    )


def place_of(finding: Finding, view: ExamView) -> str:
    """Side and place of a finding in words."""
    catalogue = view.catalogue
    side = catalogue.sides[finding.side].inline if finding.side else None
    return catalogue.words.listed((side, catalogue.sites[finding.site].label if finding.site else None))


def not_recorded(view: ExamView) -> list[Block]:
    """What this kind of exam expects and the record does not hold, by region; it says nothing of the infant."""
    words = view.catalogue.words
    if not view.not_recorded:
        return [Paragraph(say(words.say("report.none_missing")))]
    regions: dict[str, list[str]] = {}
    for gap in view.not_recorded:
        regions.setdefault(gap.region, []).append(gap.said(view.catalogue))
    lines = tuple(
        say(Run(words.say("label", what=view.catalogue.regions[region].label), Tone.STRONG), words.listed(gaps))
        for region, gaps in regions.items()
    )
    return [Paragraph(say(words.say("report.missing_honest"))), Bullets(lines)]


def withheld_list(view: ExamView) -> list[Block]:
    """What was not computed, and why: in place of a made-up value."""
    lines = tuple(say(one.said(view.catalogue.words)) for one in view.withheld)
    return [Bullets(lines)] if lines else []
