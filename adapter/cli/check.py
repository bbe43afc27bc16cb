"""``newborn-adapter check``: what is wrong with capture files, what is missing, what must be told."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from adapter.cli.comparing import (
    changes_as_data,
    changes_in_words,
    earlier_exams,
    earlier_option,
    series_as_data,
)
from adapter.cli.log import show
from adapter.cli.options import catalogue_for, nothing_read, site_option
from adapter.cli.reading import capture_arguments, readings
from adapter.cli.reporting import cautions, count_line, counted, exam_in_words, report_of
from adapter.problems import Severity

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue
    from adapter.derive import Tell
    from adapter.derive.view import ExamView
    from adapter.exam import Exam, Telling
    from adapter.read import Reading


def _print_schema(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        from adapter.exam import record_schema

        click.echo(json.dumps(record_schema(), indent=2, ensure_ascii=False))
        ctx.exit()


@click.command()
@capture_arguments
@click.option(
    "--schema",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_schema,
    help="Print the JSON Schema of the capture record and stop.",
)
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option("--quiet", is_flag=True, help="Problems only, not the exams.")
@earlier_option
@click.option("--earlier-from", metavar="URL", help="A FHIR server that holds earlier exams of the same newborn.")
@site_option
def check(
    files: tuple[Path, ...],
    plan: Path | None,
    form: str,
    quiet: bool,
    earlier: tuple[Path, ...],
    earlier_from: str | None,
    site: Path | None,
) -> None:
    """Check capture files: all problems at once, what was not examined or not recorded, what must be told.

    FILE may be a JSON record, an array or lines of them, a long CSV, a folder, or - for standard input.

    \b
    Example:
      newborn-adapter check exam.json
      newborn-adapter check --columns plan.yaml births.xlsx
      newborn-adapter check exam.json --earlier exam.json
      newborn-adapter check --schema
    """
    from adapter.derive.view import ExamView

    catalogue = catalogue_for(site)
    found = _chained(list(readings(files, plan, catalogue)))
    compare = bool(earlier or earlier_from)
    before = earlier_exams(found, earlier, earlier_from, catalogue)
    found = _not_mixed_up(found, before)
    found = [_with_lines_of(before, reading, catalogue) for reading in found]
    found = [_with_unmet(reading, catalogue) for reading in found]
    report = report_of(found)
    views = {
        id(reading): ExamView(reading.exam, catalogue, before)
        for reading in found
        if reading.exam is not None and reading.accepted
    }
    if form == "json":
        data = [_as_data(reading, views.get(id(reading)), compare) for reading in found]
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        _as_text(found, catalogue, quiet, before, views if compare else {})
    sys.exit(report.exit_code if found else nothing_read())


def _with_unmet(reading: Reading, catalogue: Catalogue) -> Reading:
    """A reading with what mandatory facts of a guide's profiles the exam lacks, as ``convert`` says it."""
    if reading.exam is None or not reading.accepted or not catalogue.profiles:
        return reading
    from adapter.write import unmet_profiles  # here: few sites claim a profile, and all of FHIR comes with it

    lacking = (replace(one, file=reading.source) for one in unmet_profiles(reading.exam, catalogue, "transaction"))
    return replace(reading, problems=(*reading.problems, *lacking))


def _chained(found: list[Reading]) -> list[Reading]:
    """The readings, each with what is wrong with it as a version among the others."""
    from adapter.derive.chains import Chains, unknown_version

    exams = [reading.exam for reading in found if reading.exam is not None and reading.accepted]
    chains, checked = Chains(exams), []
    for reading in found:
        exam = reading.exam
        if exam is not None and reading.accepted:
            more = list(chains.faults(exam))
            if (version := chains.unknown(exam)) is not None:
                more.append(unknown_version(exam, version, Severity.INFORMATION))
            problems = (*reading.problems, *(replace(one, file=reading.source) for one in more))
            checked.append(replace(reading, problems=problems))
        else:
            checked.append(reading)
    return checked


def _not_mixed_up(found: list[Reading], before: Sequence[Exam]) -> list[Reading]:
    """The readings, each with a doubt where another exam under the newborn's number is of another newborn."""
    from adapter.derive.chains import mixed_up

    under: dict[str, dict[str, Exam]] = {}
    for exam in (*(one.exam for one in found if one.exam is not None and one.accepted), *before):
        for number in exam.newborn.identifiers:
            under.setdefault(str(number), {})[exam.details.id] = exam
    checked = []
    for reading in found:
        if reading.exam is not None and reading.accepted:
            numbers = map(str, reading.exam.newborn.identifiers)
            others = {name: exam for number in numbers for name, exam in under[number].items()}
            doubts = (replace(one, file=reading.source) for one in mixed_up(reading.exam, others.values()))
            reading = replace(reading, problems=(*reading.problems, *doubts))
        checked.append(reading)
    return checked


def _with_lines_of(before: Sequence[Exam], reading: Reading, catalogue: Catalogue) -> Reading:
    """A reading without the doubt of a telling whose line the earlier exams turn out to have."""
    from adapter.derive.view import ExamView

    exam, doubts = reading.exam, [one for one in reading.problems if one.rule == "told-of-no-line"]
    if exam is None or not reading.accepted or not doubts or not before:
        return reading
    alone = ExamView(exam, catalogue).told.others
    unknown = {id(telling) for telling in ExamView(exam, catalogue, before).told.others}
    known = [doubt for doubt, telling in zip(doubts, alone, strict=True) if id(telling) not in unknown]
    return replace(reading, problems=tuple(one for one in reading.problems if one not in known))


def _as_text(
    found: list[Reading], catalogue: Catalogue, quiet: bool, before: Sequence[Exam], compared: Mapping[int, ExamView]
) -> None:
    for reading in found:
        for problem in reading.problems:
            show(problem)
        if not quiet:
            lines = []
            if id(reading) in compared:
                lines = changes_in_words(compared[id(reading)].changes, catalogue.words)
            click.echo("\n".join([exam_in_words(reading, catalogue, before), *lines]) + "\n")
    accepted = sum(reading.accepted for reading in found)
    problems = [problem for reading in found for problem in reading.problems]
    click.echo(
        f"{counted(len(found), 'exam')} read, {accepted} accepted, {len(found) - accepted} refused;"
        f" {count_line(problems)}."
    )
    if not quiet:
        click.echo(cautions(catalogue))


def _tell(tell: Tell, line: str, told: Sequence[Telling], catalogue: Catalogue) -> dict[str, Any]:
    from adapter.derive.signed import signature

    signed = signature(tell, catalogue)
    return {
        "line": line,
        "urgency": tell.urgency,
        "item": tell.item.id,
        "side": tell.side,
        "words": tell.words,
        "because": tell.because,
        "reason": tell.reason,
        "rule": tell.rule,
        "source": tell.source,
        "still_to_do": tell.to_do,
        "signed": None if signed is None else {"role": signed.role, "date": signed.date.isoformat()},
        **({"told": [_telling(one) for one in told]} if told else {}),
    }


def _telling(telling: Telling) -> dict[str, Any]:
    """Without the words: they may hold anything."""
    return telling.model_dump(mode="json", exclude_none=True, exclude={"words"})


def _as_data(reading: Reading, view: ExamView | None, compare: bool) -> dict[str, Any]:
    """One exam; ``compare``: with how it stands to the earlier ones."""
    from adapter.derive import line_ids, under_lines

    found: dict[str, Any] = {"source": reading.source, "accepted": reading.accepted}
    if view is not None:
        exam, tells, told = view.exam, view.notifications, view.told
        found |= {
            "exam": exam.details.id,
            "kind": exam.details.kind,
            "findings": len(exam.findings),
            "not_examined": [
                {"item": f.item, "side": f.side, "reason": f.not_examined}
                for f in exam.findings
                if f.not_examined is not None
            ],
            "not_recorded": [{"item": gap.item, "side": gap.side} for gap in reading.unrecorded],
            "not_judged": [
                {"item": one.item.id, "side": one.finding.side, "words": one.words, "reason": reason}
                for reason, ones in view.not_judged
                for one in ones
            ],
            "under_lines": [
                {"words": one.finding.text, "rule": one.maker.id if one.maker else ""}
                for one in under_lines(view.findings)
            ],
            "not_computed": [{"item": w.item, "reason": w.reason} for w in view.withheld],
            "tell": [_tell(*one, view.catalogue) for one in zip(tells, line_ids(tells), told.lines, strict=True)],
            **({"told_of_others": [_telling(one) for one in told.others]} if told.others else {}),
        }
        if compare:
            found |= {"since_earlier": changes_as_data(view.changes), "series": series_as_data(view.lines)}
    found["problems"] = [
        {
            "severity": p.severity,
            "rule": p.rule,
            "file": p.file,
            "where": p.where,
            "line": p.line,
            "item": p.item,
            "what": p.what,
            "remedy": p.remedy,
        }
        for p in reading.problems
    ]
    return found
