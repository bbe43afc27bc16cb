"""``release.html``: the one page on a de-identified extract that a privacy officer reads and signs."""

from __future__ import annotations

from pathlib import Path

from adapter.document import (
    Blank,
    Column,
    Document,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Row,
    Table,
    Tick,
    Tone,
    say,
    to_html,
)
from adapter.write.deidentify.attacks import Attack, attacks, in_order_of_pseudonyms
from adapter.write.deidentify.policy import DeidentificationPolicy
from adapter.write.deidentify.quasi import Cells

PAGE = "release.html"
_READ = (
    "Whether this folder may leave is for a person to say: this page helps, it decides nothing. The policy enforces "
    "k over its quasi-identifiers alone. What is below is what somebody could do who knows more of a newborn, and "
    "knows that it is in the extract."
)
_DATES = {
    "year": "of the birth the year alone; every other time as its distance from birth, to the second",
    "shift": "moved by a secret number of days for each family, every interval as it was",
    "keep": "as recorded",
}


def write_page(folder: Path, policy: DeidentificationPolicy, cells: Cells, left_out: int) -> None:
    """Attack the tables of an extract, and write the page. Raises ``NoTables``."""
    k = policy.k
    found = attacks(folder, k)
    smallest = cells.smallest
    kept = cells.counts.total()
    about = Fields(
        (
            ("Policy", say(f"{policy.label} ({policy.id}); source: {policy.source}")),
            ("Newborns in it", say(f"{kept}, and {left_out} left out as rare")),
            ("k wanted and reached", say(f"{k} and {smallest}, over {', '.join(policy.quasi_identifiers)}")),
            ("Highest risk by these", say(f"1 in {smallest}" if smallest else "nobody is in it")),
            ("Dates", say(_DATES[policy.dates])),
            ("Free text", say("kept: nobody looked for names in it" if policy.free_text == "keep" else "left out")),
            ("Examiners, mothers", say(f"{policy.examiners}; {policy.mother}")),
            ("Order of rows", say("keyed digests" if in_order_of_pseudonyms(folder) else "NOT that of the digests")),
        )
    )
    use = (
        "For research stay, exactly: hours of life, numbers as measured, gestation in days, and which findings and "
        "exams are of one newborn. That is the use of the extract, and most of the risk above."
    )
    document = Document(
        title="Release of a de-identified extract",
        language="en",
        running=say("For the privacy officer"),
        foot=PAGE,
        blocks=(
            Notice("Read first", (Paragraph(say(_READ)),)),
            about,
            Heading("What somebody who knows more could find"),
            _table(found, k),
            Paragraph(say(use)),
            Paragraph(
                say("See rare_combinations.csv for the combinations, deidentification.json for what was done.")
            ),
            Heading("Decision"),
            Paragraph(say(Tick(), " may leave   ", Tick(), " under an agreement   ", Tick(), " may not leave")),
            Paragraph(say("To whom, for what: ", Blank(90))),
            Paragraph(say("Name: ", Blank(50), "  Date: ", Blank(25), "  Signature: ", Blank(45))),
        ),
    )
    (folder / PAGE).write_bytes(to_html(document))


def _table(found: list[Attack], k: int) -> Table:
    columns = (
        Column("Somebody knows", 5),
        Column("Of newborns", 2),
        Column("Alone with it", 2),
        Column(f"Shared by under {k}", 2),
    )
    rows = (
        Row(
            tuple(say(text) for text in (one.know, str(one.newborns), _part(one.alone, one), _part(one.few, one))),
            Tone.NOTED if one.few else Tone.PLAIN,
        )
        for one in found
    )
    return Table("Somebody knows", columns, tuple(rows))


def _part(count: int, one: Attack) -> str:
    return f"{count} ({count / one.newborns:.0%})" if one.newborns else "0"
