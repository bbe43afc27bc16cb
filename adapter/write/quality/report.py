"""The report on the quality of an extract: HTML for people; CSV and JSON for programs, of the same cells."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapter.catalogue import Catalogue
from adapter.document import (
    Beside,
    Block,
    Document,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Table,
    Tone,
    say,
    to_html,
)
from adapter.write.quality.blocks import (
    label_of,
    of_changes,
    of_drift,
    of_table_one,
    row_of,
    shown_count,
    shown_part,
    table_of,
)
from adapter.write.quality.cells import Cell, cells
from adapter.write.quality.checks import QualityChecks
from adapter.write.quality.compared import Against
from adapter.write.quality.data import as_csv, as_json
from adapter.write.quality.digits import digit_rows
from adapter.write.quality.drift import Month, months
from adapter.write.quality.look import Findings
from adapter.write.quality.pictures import of_digits, of_months
from adapter.write.quality.words import CAUTION, FRAMEWORK, MEANS

_TITLES = {
    "units": "Slips of the unit",
    "changes": "Changes between exams",
    "duplicates": "Exams entered twice",
    "timing": "Findings timed outside their exam",
}
_GROUPS = {
    "kind": "Kind of exam",
    "role": "Role of the examiner",
    "month": "Month of the exam",
    "place": "Place of the exam",
}


def report(
    found: Findings, checks: QualityChecks, catalogue: Catalogue, form: str, against: Against | None = None
) -> bytes:
    """The report as ``html``, ``csv`` or ``json``; ``against`` an earlier extract where one is given."""
    all_cells = list(cells(found, checks))
    drift = [] if checks.drift is None else list(months(found.monthly, checks.drift, checks.least))
    match form:
        case "csv":
            return as_csv(all_cells, found, checks, drift, against)
        case "json":
            return as_json(all_cells, found, checks, catalogue, drift, against)
    return to_html(_document(all_cells, found, checks, catalogue, drift, against))


def _document(
    all_cells: Sequence[Cell],
    found: Findings,
    checks: QualityChecks,
    catalogue: Catalogue,
    drift: list[Month],
    against: Against | None,
) -> Document:
    exams = next((one.count for one in all_cells if one.check == "exams" and one.group == "all"), None)
    hidden = f"Groups and counts under {checks.least} are not shown, nor others that would give them away."
    undated = f"{found.undated} exams have no date: their months are not known." if found.undated else ""
    about = Fields(
        (
            ("Exams", say(shown_count(exams, checks))),
            ("Catalogue", say(catalogue.settings.version)),
            ("Order of the checks", say(FRAMEWORK)),
        )
    )
    blocks: list[Block] = [
        Notice("Read first", tuple(Paragraph(say(text)) for text in (CAUTION, hidden, undated) if text)),
        about,
        Heading("Who is in it"),
        of_table_one(found.table_one, checks),
        *(_compared(against, checks, catalogue) if against else ()),
        Heading("Completeness"),
        *_pictures(of_months(all_cells)),
        Paragraph(say(MEANS["completeness"])),
        *(_by_group(all_cells, group, checks, catalogue) for group in _GROUPS),
        _by_item(all_cells, checks, catalogue),
        Heading("Plausibility: last digits"),
        Paragraph(say(f"{MEANS['digits']} Source: {checks.digits.source}.")),
        *_pictures(of_digits(digit_rows(found.digits, checks), catalogue)),
        _digit_table(found, checks, catalogue),
    ]
    if checks.drift is not None:
        blocks += [Heading("Plausibility: drift"), Paragraph(say(f"{MEANS['drift']} Limits: {checks.drift.source}."))]
        blocks.append(of_drift(drift, checks, catalogue))
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


def _pictures(pictures: Beside) -> tuple[Beside, ...]:
    return (pictures,) if pictures.plots else ()


def _compared(against: Against, checks: QualityChecks, catalogue: Catalogue) -> Iterator[Block]:
    yield Heading("Against an earlier extract")
    limits = "" if checks.comparison is None else f" Limits: {checks.comparison.source}."
    versions = f"Catalogue {against.then} then, {against.now} now."
    yield Paragraph(say(f"{versions} {MEANS['comparison']}{limits}"))
    yield of_changes(against.changes, checks, catalogue)


def _by_group(all_cells: Sequence[Cell], group: str, checks: QualityChecks, catalogue: Catalogue) -> Table:
    labels: dict[str, str] = {}
    if group in ("kind", "role"):
        terms = catalogue.kinds.values() if group == "kind" else catalogue.roles.values()
        labels = {term.id: term.label for term in terms}
    chosen = [one for one in all_cells if one.group == group and not one.item]
    by = {(one.value, one.measure): one for one in chosen}
    rows = []
    for value in dict.fromkeys(one.value for one in chosen):
        label = labels.get(value, value)
        exams = by.get((value, "exams"))
        parts = (shown_part(by.get((value, measure)), checks) for measure in ("not_examined", "not_recorded"))
        rows.append(row_of(label, shown_count(exams.count if exams else None, checks), *parts))
    return table_of(_GROUPS[group], ("Exams", "Places not examined", "Places not recorded"), rows)


def _by_item(all_cells: Sequence[Cell], checks: QualityChecks, catalogue: Catalogue) -> Table:
    chosen = [one for one in all_cells if one.check == "completeness" and one.group == "all" and one.item]
    by = {(one.item, one.measure): one for one in chosen}
    rows = []
    for item in dict.fromkeys(one.item for one in chosen):
        gone, gap = by[item, "not_examined"], by[item, "not_recorded"]
        if gone.count == 0 and gap.count == 0:
            continue
        places = shown_count(gap.of, checks)
        rows.append(
            (
                gap.share or 0,
                row_of(label_of(item, catalogue), places, shown_part(gone, checks), shown_part(gap, checks)),
            )
        )
    rows.sort(key=lambda row: -row[0])
    return table_of("Item", ("Places", "Not examined", "Not recorded"), [row for _, row in rows])


def _digit_table(found: Findings, checks: QualityChecks, catalogue: Catalogue) -> Table:
    rows = []
    for one in digit_rows(found.digits, checks):
        digits = one["digits"]
        often = ""
        if isinstance(digits, list):
            counted = sorted(((count, digit) for digit, count in enumerate(digits) if count), reverse=True)[:2]
            often = ", ".join(f"{digit} ({count})" for count, digit in counted)
        score = f"too few, under {checks.digits.fewest}" if one["score"] is None else f"{one['score']}"
        told = "look at it" if one["told"] else ""
        numbers = one["numbers"] if isinstance(one["numbers"], int) else None
        label = f"{label_of(str(one['item']), catalogue)}, digit of {one['step']}"
        rows.append(
            row_of(label, shown_count(numbers, checks), score, often, told, tone=Tone.NOTED if told else Tone.PLAIN)
        )
    return table_of("Numbers of", ("How many", "Score, 0 to 100", "Most frequent digits", ""), rows)


def _doubt_table(
    all_cells: Sequence[Cell], check: str, title: str, checks: QualityChecks, catalogue: Catalogue
) -> Table:
    rows = [
        row_of(
            label_of(one.item, catalogue) if one.item else "All", shown_count(one.of, checks), shown_part(one, checks)
        )
        for one in all_cells
        if one.check == check and one.count != 0
    ]
    return table_of(title, ("Looked at", "To look at"), rows or [row_of("None", "", "")])
