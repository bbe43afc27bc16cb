"""``release.html``: the one page on a de-identified extract that a privacy officer reads and signs, in the site's
language; what the policy says of itself stands as its file has it, as ids of items and names of files do."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from adapter.catalogue.words import Words
from adapter.document import (
    Blank,
    Block,
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
from adapter.write.deidentify.linked import DIFFERENT, Linked, Together
from adapter.write.deidentify.policy import DeidentificationPolicy

PAGE = "release.html"


@dataclass(frozen=True, slots=True)
class Loss:
    """What the policy cost: ``newborns`` and ``exams`` left out as rare, and ``done``, how often each thing was done
    to the exams that stay."""

    newborns: int
    exams: int
    done: Mapping[str, int]


def write_page(
    folder: Path, policy: DeidentificationPolicy, cells: Cells, loss: Loss, words: Words, beside: Together
) -> None:
    """Attack the tables of an extract, and write the page; ``beside`` is what it tells together with earlier ones.
    Raises ``NoTables``."""
    found = attacks(folder, policy.k)
    document = Document(
        title=words.say("release.title"),
        language=words.language,
        page_of=words.template("document.page_of"),
        unshown=words.both("document.unshown"),
        running=say(words.say("release.reader")),
        foot=PAGE,
        blocks=(
            Notice(words.say("release.first"), _read_first(words)),
            _about(policy, cells, loss, in_order_of_pseudonyms(folder), words),
            Heading(words.say("release.attacks")),
            _table(found, policy.k, words),
            *_beside(beside, policy.k, words),
            Heading(words.say("release.use")),
            Paragraph(say(_exact(policy, words))),
            _lost(loss, cells.counts.total(), words),
            Paragraph(
                say(words.say("release.see", combinations="rare_combinations.csv", done="deidentification.json"))
            ),
            Heading(words.say("release.decision")),
            *_decision(words),
        ),
    )
    (folder / PAGE).write_bytes(to_html(document))


def _read_first(words: Words) -> tuple[Paragraph, ...]:
    return tuple(Paragraph(say(text)) for text in (words.say("release.read"), words.remark()) if text)


def _about(policy: DeidentificationPolicy, cells: Cells, loss: Loss, by_pseudonym: bool, words: Words) -> Fields:
    smallest, kept = cells.smallest, cells.counts.total()
    quasi = ", ".join(policy.quasi_identifiers)
    named = words.say("release.policy_is", label=policy.label, id=policy.id, source=policy.source)
    dates = {"year": "release.dates_year", "shift": "release.dates_shift", "keep": "release.as_recorded"}
    return Fields(
        (
            (words.say("release.policy"), say(named)),
            (words.say("release.newborns"), say(words.say("release.newborns_are", kept=kept, left=loss.newborns))),
            (
                words.say("release.k"),
                say(words.say("release.k_is", wanted=policy.k, reached=smallest, names=quasi)),
            ),
            (words.say("release.l"), say(_diversity(policy, cells, words))),
            (
                words.say("release.risk"),
                say(words.say("release.risk_is", count=smallest) if smallest else words.say("release.nobody")),
            ),
            (words.say("release.dates"), say(words.say(dates[policy.dates]))),
            (
                words.say("release.text"),
                say(words.say("release.text_kept" if policy.free_text == "keep" else "release.left_out")),
            ),
            (
                words.say("release.people"),
                say(f"{_person(policy.examiners, words)}; {_person(policy.mother, words)}"),
            ),
            (
                words.say("release.order"),
                say(words.say("release.digests" if by_pseudonym else "release.not_digests")),
            ),
        )
    )


def _person(done: str, words: Words) -> str:
    """What is done with an examiner or a mother."""
    if done == "pseudonym":
        return words.say("release.pseudonym")
    return words.say("release.role" if done == "role" else "release.left_out")


def _decision(words: Words) -> tuple[Paragraph, ...]:
    """What the officer ticks and writes."""
    may, under, not_ = (words.say(f"release.{key}") for key in ("may", "agreement", "may_not"))
    signed = [("name", 50), ("date", 25), ("signature", 45)]
    blank, tick = words.say("document.blank"), Tick(says=words.say("document.tick"))
    lines = [
        part for key, width in signed for part in (words.say(f"release.{key}") + ": ", Blank(width, blank), "  ")
    ]
    return (
        Paragraph(say(tick, f" {may}   ", tick, f" {under}   ", tick, f" {not_}")),
        Paragraph(say(words.say("release.to_whom") + ": ", Blank(90, blank))),
        Paragraph(say(*lines[:-1])),
    )


def _diversity(policy: DeidentificationPolicy, cells: Cells, words: Words) -> str:
    if not policy.sensitive:
        return words.say("release.no_sensitive")
    least = cells.least_diverse
    reached = words.say("release.none_has") if least is None else str(least)
    return words.say("release.l_is", wanted=policy.l, reached=reached, names=", ".join(policy.sensitive))


def _exact(policy: DeidentificationPolicy, words: Words) -> str:
    """What stands as it was recorded, and what does not."""
    hours = words.say("release.hours_full", hours=policy.hours) if policy.hours else words.say("release.hours")
    weeks = words.say("release.gestation_weeks" if policy.gestation == "weeks" else "release.gestation_days")
    less = [words.say("release.rounded", item=item, step=step) for item, step in policy.round.items()]
    less += [words.say("release.banded", item=item, width=width) for item, width in policy.band.items()]
    numbers = words.say("release.numbers_but", items=words.listed(less)) if less else words.say("release.numbers")
    said = words.say("release.exact", hours=hours, gestation=weeks, numbers=numbers)
    return f"{said} {words.say('release.computed')}" if less or policy.hours else said


def _lost(loss: Loss, kept: int, words: Words) -> Table:
    """How much was left out or made less exact."""
    exams = loss.exams + loss.done.get("exams", 0)
    rows = [
        (
            words.say("release.lost_newborns"),
            words.say("release.count_of", count=loss.newborns, of=loss.newborns + kept),
        ),
        (words.say("release.lost_exams"), words.say("release.count_of", count=loss.exams, of=exams)),
    ]
    rows += [(_done(name, words), str(count)) for name, count in sorted(loss.done.items()) if count]
    what = words.say("release.lost")
    columns = (Column(what, 6), Column(words.say("release.how_often"), 3))
    return Table(what, columns, tuple(Row(tuple(map(say, row))) for row in rows))


def _done(name: str, words: Words) -> str:
    """What was done to exams, by its name in the counts: ``names left out``, ``values of weight rounded``."""
    about = re.compile(r"(?<=^values of )\S+|(?<=^newborns' exams without )\S+")
    key = "_".join(re.findall("[a-z]+", about.sub("", name)))
    return words.say(f"release.done.{key}", item="".join(about.findall(name)))


def _table(found: list[Attack], k: int, words: Words) -> Table:
    knows = words.say("release.knows")
    columns = (
        Column(knows, 5),
        Column(words.say("release.of_newborns"), 2),
        Column(words.say("release.alone"), 2),
        Column(words.say("release.shared", k=k), 2),
    )
    rows = []
    for one in found:
        counts = (str(one.newborns), _part(one.alone, one, words), _part(one.few, one, words))
        cells = (words.say(f"release.know.{one.know}"), *counts)
        rows.append(Row(tuple(map(say, cells)), _tone(one.few)))
    return Table(knows, columns, tuple(rows))


def _beside(beside: Together, k: int, words: Words) -> Iterator[Block]:
    """What this release and earlier ones of the same newborns tell together; or that nobody looked."""
    yield Heading(words.say("release.beside"))
    if not beside.releases:
        yield Paragraph(say(words.say("release.not_beside")))
    for one in beside.releases:
        known = words.say("release.with", folder=one.earlier)
        counts = [("pseudonym", one.by_pseudonym), ("content", one.by_content)]
        lines = [(words.say(f"release.again.{key}"), count) for key, count in counts]
        lines += [(words.say(f"release.differs.{key}"), one.differs[key]) for key in DIFFERENT]
        made = (Row((say(text), say(_part(count, one, words))), _tone(count)) for text, count in lines)
        yield Table(known, (Column(known, 8), Column(words.say("release.of_newborns"), 2)), tuple(made))
    if beside.releases:
        yield Paragraph(say(words.say("release.union", count=beside.few, k=k)))


def _tone(count: int) -> Tone:
    return Tone.NOTED if count else Tone.PLAIN


def _part(count: int, one: Attack | Linked, words: Words) -> str:
    if not one.newborns:
        return "0"
    return words.say("release.part", count=count, percent=f"{100 * count / one.newborns:.0f}")
