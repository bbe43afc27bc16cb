"""The report on the quality of an extract: HTML for people, CSV and JSON for programs, of the same cells."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from adapter.catalogue import Catalogue
from adapter.document import (
    Block,
    Column,
    Document,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Row,
    Table,
    Tone,
    say,
    to_html,
)
from adapter.fhir.json import dumps
from adapter.write.quality.cells import Cell, cells
from adapter.write.quality.checks import QualityChecks
from adapter.write.quality.digits import preference_score
from adapter.write.quality.look import Findings
from adapter.write.tables.spreadsheet import cell as guarded

FRAMEWORK = (
    "Kahn et al., A Harmonized Data Quality Assessment Terminology and Framework for the Secondary Use of Electronic "
    "Health Record Data, eGEMs 2016;4(1):1244"
)
MEANS = {
    "completeness": "Not examined was said, with a reason; not recorded is a gap: the kind of exam expects it and "
    "nobody said anything. Neither is ever a normal finding. Much of either may mean a form that asks too much, a "
    "ward at its limit, or a device that is missing.",
    "digits": "Last digits that are not about equally frequent may mean rounding, a coarse scale or thermometer, a "
    "count over a part of a minute, or a step of the form. It says nothing of a single number.",
    "units": "A number outside what is plausible that would be plausible in another unit, or with the point "
    "elsewhere, may be a slip in the unit; it may also be true.",
    "changes": "More change between two exams of a newborn than is plausible may mean another scale, another way to "
    "measure, a slip, or another newborn's number; it may also be true.",
    "duplicates": "Two exams of one kind and newborn at nearly one time may be one exam that was entered twice.",
    "timing": "A finding made long before or after its exam began may have been taken over, entered later than it "
    "was made, or timed by a clock that was wrong. When a record was typed, no record says.",
}
"""What each check would mean."""
CAUTION = (
    "This report is about data, not about people: nothing in it is a judgement on an examiner, and it must not be "
    "used as one. A number that is told may be right."
)
_TITLES = {
    "units": "Slips of the unit",
    "changes": "Changes between exams",
    "duplicates": "Exams entered twice",
    "timing": "Findings timed outside their exam",
}
_GROUPS = {"kind": "Kind of exam", "role": "Role of the examiner", "month": "Month of the exam"}


def report(found: Findings, checks: QualityChecks, catalogue: Catalogue, form: str) -> bytes:
    """The report as ``html``, ``csv`` or ``json``."""
    all_cells = list(cells(found, checks))
    match form:
        case "csv":
            return _csv(all_cells, found, checks)
        case "json":
            return _json(all_cells, found, checks, catalogue)
    return to_html(_document(all_cells, found, checks, catalogue))


def _digits(found: Findings, checks: QualityChecks) -> list[dict[str, object]]:
    """Of each item the numbers, the score where there are enough, and how often each digit stood."""
    made: list[dict[str, object]] = []
    for item, counts in found.digits.items():
        total = sum(counts)
        enough = total >= max(checks.digits.fewest, checks.least)
        score = round(preference_score(counts), 1) if enough else None
        made.append(
            {
                "item": item,
                "step": str(checks.digits.items[item]),
                "numbers": total if total >= checks.least else None,
                "score": score,
                "told": score is not None and score >= checks.digits.above,
                "digits": [count if count >= checks.least else None for count in counts] if enough else None,
            }
        )
    return made


def _csv(all_cells: Iterable[Cell], found: Findings, checks: QualityChecks) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["check", "measure", "group", "value", "item", "count", "of", "share", "shown"])
    for one in all_cells:
        share = "" if one.share is None else f"{one.share:.4f}"
        counts = (one.count, one.of, share, "yes" if one.count is not None else f"no, under {checks.least}")
        writer.writerow(
            [guarded(value) for value in (one.check, one.measure, one.group, one.value, one.item, *counts)]
        )
    for row in _digits(found, checks):
        shown = "yes" if row["score"] is not None else f"no, under {checks.digits.fewest}"
        score = "" if row["score"] is None else str(row["score"])
        of_item = ("digits", "preference_score", "all", "", row["item"], score, row["numbers"], "", shown)
        writer.writerow([guarded(value) for value in of_item])
    return out.getvalue().encode()


def records_of(found: Findings) -> bytes:
    """Which records somebody should look at, by their ids, as CSV: not for those who may not see the records."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["check", "item", "exam_id", "finding_id", "what"])
    for one in found.doubts:
        writer.writerow([guarded(text) for text in (one.check, one.item, one.exam_id, one.finding_id, one.what)])
    return out.getvalue().encode()


def _json(all_cells: Iterable[Cell], found: Findings, checks: QualityChecks, catalogue: Catalogue) -> bytes:
    rows = [
        {
            "check": one.check,
            "measure": one.measure,
            "group": one.group,
            "value": one.value,
            "item": one.item,
            "count": one.count,
            "of": one.of,
            "share": None if one.share is None else round(one.share, 4),
        }
        for one in all_cells
    ]
    head = {"caution": CAUTION, "catalogue": catalogue.settings.version, "framework": FRAMEWORK, "means": MEANS}
    used = checks.model_dump(mode="json")
    return dumps({**head, "checks": used, "cells": rows, "digits": _digits(found, checks)}, pretty=True) + b"\n"


def _document(all_cells: Sequence[Cell], found: Findings, checks: QualityChecks, catalogue: Catalogue) -> Document:
    exams = next((one.count for one in all_cells if one.check == "exams" and one.group == "all"), None)
    hidden = f"Groups and counts under {checks.least} are not shown, nor others that would give them away."
    undated = f"{found.undated} exams have no date: their months are not known." if found.undated else ""
    about = Fields(
        (
            ("Exams", say(_shown(exams, checks))),
            ("Catalogue", say(catalogue.settings.version)),
            ("Order of the checks", say(FRAMEWORK)),
        )
    )
    blocks: list[Block] = [
        Notice("Read first", tuple(Paragraph(say(text)) for text in (CAUTION, hidden, undated) if text)),
        about,
        Heading("Completeness"),
        Paragraph(say(MEANS["completeness"])),
        *(_by_group(all_cells, group, checks, catalogue) for group in _GROUPS),
        _by_item(all_cells, checks, catalogue),
        Heading("Plausibility: last digits"),
        Paragraph(say(f"{MEANS['digits']} Source: {checks.digits.source}.")),
        _digit_table(found, checks, catalogue),
    ]
    for check, title in _TITLES.items():
        source = getattr(checks, check).source
        blocks += [Heading(f"Plausibility: {title.lower()}"), Paragraph(say(f"{MEANS[check]} Limits: {source}."))]
        blocks.append(_doubt_table(all_cells, check, title, checks, catalogue))
    return Document(
        title="Quality of the data",
        language="en",
        running=say(f"Catalogue {catalogue.settings.version}. Data, not people."),
        foot="newborn-adapter quality",
        blocks=tuple(blocks),
    )


def _shown(count: int | None, checks: QualityChecks) -> str:
    return f"fewer than {checks.least}, or hidden" if count is None else str(count)


def _part(one: Cell | None, checks: QualityChecks) -> str:
    if one is None:
        return "-"
    return _shown(one.count, checks) if one.share is None else f"{one.count} ({one.share:.1%})"


def _by_group(all_cells: Sequence[Cell], group: str, checks: QualityChecks, catalogue: Catalogue) -> Table:
    labels: dict[str, str] = {}
    if group != "month":
        terms = catalogue.kinds.values() if group == "kind" else catalogue.roles.values()
        labels = {term.id: term.label for term in terms}
    chosen = [one for one in all_cells if one.group == group and not one.item]
    by = {(one.value, one.measure): one for one in chosen}
    rows = []
    for value in dict.fromkeys(one.value for one in chosen):
        label = labels.get(value, value)
        exams = by.get((value, "exams"))
        parts = (_part(by.get((value, measure)), checks) for measure in ("not_examined", "not_recorded"))
        rows.append(_row(label, _shown(exams.count if exams else None, checks), *parts))
    return _table(_GROUPS[group], ("Exams", "Places not examined", "Places not recorded"), rows)


def _by_item(all_cells: Sequence[Cell], checks: QualityChecks, catalogue: Catalogue) -> Table:
    chosen = [one for one in all_cells if one.check == "completeness" and one.group == "all" and one.item]
    by = {(one.item, one.measure): one for one in chosen}
    rows = []
    for item in dict.fromkeys(one.item for one in chosen):
        gone, gap = by[item, "not_examined"], by[item, "not_recorded"]
        if gone.count == 0 and gap.count == 0:
            continue
        places = _shown(gap.of, checks)
        rows.append((gap.share or 0, _row(_label(item, catalogue), places, _part(gone, checks), _part(gap, checks))))
    rows.sort(key=lambda row: -row[0])
    return _table("Item", ("Places", "Not examined", "Not recorded"), [row for _, row in rows])


def _digit_table(found: Findings, checks: QualityChecks, catalogue: Catalogue) -> Table:
    rows = []
    for one in _digits(found, checks):
        digits = one["digits"]
        often = ""
        if isinstance(digits, list):
            counted = sorted(((count, digit) for digit, count in enumerate(digits) if count), reverse=True)[:2]
            often = ", ".join(f"{digit} ({count})" for count, digit in counted)
        score = f"too few, under {checks.digits.fewest}" if one["score"] is None else f"{one['score']}"
        told = "look at it" if one["told"] else ""
        numbers = one["numbers"] if isinstance(one["numbers"], int) else None
        label = f"{_label(str(one['item']), catalogue)}, digit of {one['step']}"
        rows.append(_row(label, _shown(numbers, checks), score, often, told, tone=Tone.NOTED if told else Tone.PLAIN))
    return _table("Numbers of", ("How many", "Score, 0 to 100", "Most frequent digits", ""), rows)


def _doubt_table(
    all_cells: Sequence[Cell], check: str, title: str, checks: QualityChecks, catalogue: Catalogue
) -> Table:
    rows = [
        _row(_label(one.item, catalogue) if one.item else "All", _shown(one.of, checks), _part(one, checks))
        for one in all_cells
        if one.check == check and one.count != 0
    ]
    return _table(title, ("Looked at", "To look at"), rows or [_row("None", "", "")])


def _label(item: str, catalogue: Catalogue) -> str:
    return catalogue.items[item].label if item in catalogue.items else item


def _row(*texts: str, tone: Tone = Tone.PLAIN) -> Row:
    return Row(tuple(say(text) for text in texts), tone)


def _table(first: str, others: Sequence[str], rows: Sequence[Row]) -> Table:
    return Table(first, (Column(first, 3), *(Column(name, 2) for name in others)), tuple(rows))
