"""``release.html``: the one page on a de-identified extract that a privacy officer reads and signs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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
from adapter.write.deidentify.cells import Cells
from adapter.write.deidentify.policy import DeidentificationPolicy

PAGE = "release.html"


@dataclass(frozen=True, slots=True)
class Loss:
    """What the policy cost: ``newborns`` and ``exams`` left out as rare, and ``done``, how often each thing was done
    to the exams that stay."""

    newborns: int
    exams: int
    done: Mapping[str, int]


_READ = (
    "Whether this folder may leave is for a person to say: this page helps, it decides nothing. The policy enforces "
    "k and l over its quasi-identifiers alone. What is below is what somebody could do who knows more of a newborn, "
    "and knows that it is in the extract."
)
_DATES = {
    "year": "of the birth the year alone; every other time as its distance from birth, to the second",
    "shift": "moved by a secret number of days for each family, every interval as it was",
    "keep": "as recorded",
}


def write_page(folder: Path, policy: DeidentificationPolicy, cells: Cells, loss: Loss) -> None:
    """Attack the tables of an extract, and write the page. Raises ``NoTables``."""
    k = policy.k
    found = attacks(folder, k)
    smallest = cells.smallest
    kept = cells.counts.total()
    about = Fields(
        (
            ("Policy", say(f"{policy.label} ({policy.id}); source: {policy.source}")),
            ("Newborns in it", say(f"{kept}, and {loss.newborns} left out as rare")),
            ("k wanted and reached", say(f"{k} and {smallest}, over {', '.join(policy.quasi_identifiers)}")),
            ("l wanted and reached", say(_diversity(policy, cells))),
            ("Highest risk by these", say(f"1 in {smallest}" if smallest else "nobody is in it")),
            ("Dates", say(_DATES[policy.dates])),
            ("Free text", say("kept: nobody looked for names in it" if policy.free_text == "keep" else "left out")),
            ("Examiners, mothers", say(f"{policy.examiners}; {policy.mother}")),
            ("Order of rows", say("keyed digests" if in_order_of_pseudonyms(folder) else "NOT that of the digests")),
        )
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
            Heading("What research has of it"),
            Paragraph(say(_exact(policy))),
            _lost(loss, kept),
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


def _diversity(policy: DeidentificationPolicy, cells: Cells) -> str:
    if not policy.sensitive:
        return "the policy names nothing as sensitive"
    reached = cells.least_diverse
    of = f"in {', '.join(policy.sensitive)}, where any has an answer that is not expected"
    return f"{policy.l} and {'none has' if reached is None else reached}, {of}"


def _exact(policy: DeidentificationPolicy) -> str:
    """What stands as it was recorded, and what does not."""
    hours = f"hours of life down to full {policy.hours} h" if policy.hours else "hours of life"
    gestation = "gestation in completed weeks" if policy.gestation == "weeks" else "gestation in days"
    less = [f"{item} to the nearest {step:f}" for item, step in policy.round.items()]
    less += [f"{item} in bands of {width:f}, in words" for item, width in policy.band.items()]
    numbers = f"every number as measured but {', '.join(less)}" if less else "numbers as measured"
    computed = " What is computed or judged rests on what stands in the extract." if less or policy.hours else ""
    return (
        f"There stand {hours}, {gestation}, {numbers}, and which findings and exams are of one newborn. That is the "
        f"use of the extract, and most of the risk above.{computed}"
    )


def _lost(loss: Loss, kept: int) -> Table:
    """How much was left out or made less exact."""
    newborns = loss.newborns + kept
    rows = [
        ("Newborns left out as rare", f"{loss.newborns} of {newborns}"),
        ("Exams left out with them", f"{loss.exams} of {loss.exams + loss.done.get('exams', 0)}"),
    ]
    rows += [(name[0].upper() + name[1:], str(count)) for name, count in sorted(loss.done.items()) if count]
    columns = (Column("What was lost", 6), Column("How often", 3))
    return Table("What was lost", columns, tuple(Row(tuple(map(say, row))) for row in rows))


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
