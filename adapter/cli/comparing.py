"""Earlier exams of the same newborn, from files or from a FHIR server, and what changed since, in words."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from adapter.cli.log import note, tell
from adapter.cli.options import F
from adapter.cli.reading import readings
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue, Words
    from adapter.derive import Changes, SeriesLine
    from adapter.exam import Exam, Finding
    from adapter.read import Reading


def earlier_option(command: F) -> F:
    """``--earlier FILE``, any number of them."""
    return click.option(
        "--earlier",
        multiple=True,
        type=click.Path(path_type=Path, exists=True),
        help="An earlier exam of the same newborn (or a folder of them), judged together with this one; may be given"
        " again. Says what is new, worse, still so, resolved.",
    )(command)


def earlier_exams(
    found: Sequence[Reading], files: tuple[Path, ...], url: str | None, catalogue: Catalogue
) -> list[Exam]:
    """The earlier exams that files hold and that a server holds of these newborns.

    Exit code 2 where an earlier file is refused or the address cannot be used, 3 where the server does not answer.
    """
    exams = []
    for reading in readings(files, None, catalogue) if files else ():
        if reading.exam is None or not reading.accepted:
            for problem in reading.errors:
                tell(problem)
            raise click.UsageError(f"{reading.source}: an earlier exam that is refused cannot be compared with")
        exams.append(reading.exam)
    return exams + (_from_server(found, url, catalogue) if url else [])


def _from_server(found: Sequence[Reading], url: str, catalogue: Catalogue) -> list[Exam]:
    from adapter.read.bundle import from_bundle
    from adapter.send import FhirClient, ServerRefused, Unreachable, fetch_exams_of

    newborns = dict.fromkeys(reading.exam.newborn.identifiers[0] for reading in found if reading.exam is not None)
    try:
        with FhirClient(url) as client:
            bundles = [bundle for newborn in newborns for bundle in fetch_exams_of(client, catalogue, newborn)]
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    except (ServerRefused, Unreachable) as error:
        note(str(error))
        sys.exit(ExitCode.SERVER)
    return [exam for bundle in bundles for exam in from_bundle(bundle, catalogue)]


def changes_in_words(found: Changes | None, words: Words) -> list[str]:
    """The changes by what became of each finding, then the trends."""
    from adapter.catalogue.words import key_of

    if found is None:
        return [f"  {words.say('check.none_earlier')}"]
    lines = [f"  {words.say('check.since')}"]
    for one in found.changes:
        kind = words.say(f"changes.kind.{key_of(one.kind.value)}")
        lines.append(f"    {words.say('is', what=kind, value=one.words)}")
    if not found.changes:
        lines.append(f"    {words.say('check.no_changes')}")
    for trend in found.trends:
        lines.append(f"    {trend.label}")
        lines += [f"      {line}" for line in trend.lines]
    return lines


def changes_as_data(found: Changes | None) -> dict[str, Any] | None:
    """The same for programs."""
    if found is None:
        return None
    return {
        "changes": [
            {
                "kind": one.kind,
                "item": one.item.id,
                "side": one.side,
                "words": one.words,
                "since": one.since,
                "now": [_place(finding) for finding in one.now],
                "was": [_place(finding) for finding in one.was],
            }
            for one in found.changes
        ],
        "trends": [{"label": trend.label, "lines": trend.lines} for trend in found.trends],
    }


def _place(finding: Finding) -> dict[str, Any]:
    """Where and how a finding was made, as data."""
    named = {"side": finding.side, "site": finding.site, "method": finding.method}
    return {name: value for name, value in named.items() if value is not None}


def series_as_data(lines: Sequence[SeriesLine]) -> list[dict[str, Any]]:
    """What must be told after this exam, by how it stands to the earlier ones, for programs."""
    return [
        {
            "standing": one.standing,
            "urgency": one.line.urgency,
            "item": one.line.item.id,
            "side": one.line.side,
            "words": one.line.words,
            "rule": one.line.rule,
            "still_to_do": one.line.to_do,
            "exams": one.exams,
        }
        for one in lines
    ]
