"""``newborn-adapter demo``: the whole way on invented newborns, over real HTTP, with nothing to set up."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import click

from adapter.cli.log import note
from adapter.cli.options import catalogue_for
from adapter.cli.reading import invented
from adapter.cli.reporting import abnormal_count, cautions, count_line, counted, heading, tells_in_words
from adapter.problems import ExitCode, Layer, Problem, Report, Severity

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue
    from adapter.exam import Exam
    from adapter.read import Reading
    from adapter.send import Event, FhirClient, Outbox


@click.command()
def demo() -> None:
    """Take the invented example exams the whole way: check, convert, validate, send, read back, send again.

    Everything happens on this machine, against a FHIR server of our own that listens on the loopback address only
    and forgets all at the end.

    \b
    Example:
      newborn-adapter demo
    """
    from adapter.send import ServerRefused, Unreachable

    catalogue = catalogue_for(None)
    click.echo("Invented newborns; no real person. Everything stays on this machine.\n")
    accepted = _check(catalogue)
    problems = _validate(accepted, catalogue)
    try:
        kept = _send(accepted, catalogue)
    except (ServerRefused, Unreachable) as error:
        note(f"The sandbox did not take part: {error}")
        sys.exit(ExitCode.SERVER)
    click.echo(f"\n{cautions(catalogue)}")
    sys.exit(ExitCode.WELL if kept and not problems else ExitCode.PROBLEMS)


def _check(catalogue: Catalogue) -> list[Reading]:
    from adapter.read import read

    click.echo("1. Check: what was examined, what was not, what the provider must be told\n")
    captures, wrong = invented("captures"), invented("wrong")
    accepted = []
    for path in (*captures, *wrong):
        for reading in read(path, catalogue, name=path.name):
            if reading.exam is None or not reading.accepted:
                click.echo(f"{path.name}: refused")
                for problem in reading.errors:
                    click.echo(f"  {problem}")
                continue
            accepted.append(reading)
            abnormal = abnormal_count(reading.exam, catalogue)
            click.echo(f"{heading(reading.exam, reading, catalogue)}, {abnormal} abnormal")
            click.echo("\n".join(tells_in_words(reading.exam, catalogue)))
    return accepted


def _validate(accepted: list[Reading], catalogue: Catalogue) -> list[Problem]:
    from adapter.fhir.json import dumps, loads
    from adapter.fhir.xml import from_xml, to_xml
    from adapter.read.bundle import from_bundle
    from adapter.validate import Validator
    from adapter.write.bundles import to_bundle

    click.echo("\n2. Convert to FHIR R4 transactions and validate every layer")
    validator = Validator()
    problems: list[Problem] = []
    resources: Counter[str] = Counter()
    for reading in accepted:
        assert reading.exam is not None
        bundle = to_bundle(reading.exam, catalogue)
        problems += validator.validate(bundle, file=reading.source)
        resources.update(entry["resource"]["resourceType"] for entry in bundle["entry"])
        again = [loads(dumps(bundle)), from_xml(to_xml(bundle))]
        if any(from_bundle(form, catalogue) != [reading.exam] for form in again):
            what = "does not read back to the same exam"
            problems.append(Problem(Severity.ERROR, Layer.ROUND_TRIP, "round-trip", what, file=reading.source))
    for problem in problems:
        click.echo(f"   {problem}")
    made = ", ".join(f"{count} {name}" for name, count in sorted(resources.items()))
    click.echo(f"   {len(accepted)} bundles, {count_line(problems)}: {made}")
    click.echo("   each reads back, from JSON and from XML, to the very exam it came from")
    return Report(problems).errors


def _send(accepted: list[Reading], catalogue: Catalogue) -> bool:
    """Send all, read all back, send all again; whether nothing was lost, changed or doubled."""
    from adapter.sandbox import Store, running
    from adapter.send import FhirClient, Outbox

    exams = [reading.exam for reading in accepted if reading.exam is not None]
    latest = {exam.details.root: exam for exam in exams}
    with TemporaryDirectory() as folder, running(Store(None)) as url, FhirClient(url) as client:
        click.echo(f"\n3. Send to {url}, through an outbox on the disk")
        with Outbox(Path(folder) / "outbox.db") as outbox:
            _through(outbox, client, exams, catalogue)
            click.echo("\n4. Read back over HTTP and compare with what was captured")
            there = _fetched(client, latest, catalogue)
            same = sum(_arrived(there[root], exam, catalogue) for root, exam in latest.items())
            click.echo(f"   {same} of {len(latest)} exams are on the server as captured")
            before = _versions(there)
            click.echo("\n5. Send everything once more, the older version of the amended exam too")
            _through(outbox, client, exams, catalogue)
        click.echo("   and with a new outbox, that knows of nothing sent before")
        with Outbox(Path(folder) / "another.db") as outbox:
            _through(outbox, client, exams, catalogue)
            click.echo("\n6. A mix-up: the first twin's exam under the second twin's number")
            held = _mixed_up(Path(folder), client, exams, catalogue)
        unchanged = before == _versions(_fetched(client, latest, catalogue))
        found = "none of them changed, none doubled" if unchanged else "SOME OF THEM CHANGED"
        click.echo(f"   {len(before)} resources on the server, {found}")
        return same == len(latest) and unchanged and held


def _mixed_up(folder: Path, client: FhirClient, exams: list[Exam], catalogue: Catalogue) -> bool:
    """An exam of one twin with the number of the other: whether it was held, and nothing of it was written."""
    from adapter.send import FhirTransport, Outbox, Sender, message_of

    twins = sorted((one for one in exams if one.newborn.birth_order), key=lambda one: one.newborn.birth_time)
    first, second = twins[0], twins[1]
    newborn = first.newborn.model_copy(update={"identifiers": second.newborn.identifiers})
    details = first.details.model_copy(update={"id": f"{first.details.id}-mixed-up", "encounter": None})
    wrong = first.model_copy(update={"details": details, "newborn": newborn})
    with Outbox(folder / "mixed-up.db") as outbox:
        outbox.put(client.base_url, message_of(wrong, catalogue))
        summary = Sender(outbox, FhirTransport(client)).run()
        for row in outbox.rows():
            for problem in row.reasons:
                click.echo(f"   {row.exam}: held for a person\n   {problem}")
    kept = _versions(_fetched(client, [details.id], catalogue))
    click.echo("   nothing of it was written" if not kept else "   SOMETHING OF IT WAS WRITTEN")
    return summary.held == 1 and not kept


def _through(outbox: Outbox, client: FhirClient, exams: list[Exam], catalogue: Catalogue) -> None:
    """Queue, send, and say in a line what became of it."""
    from adapter.send import FhirTransport, PutResult, Sender, message_of

    placed = Counter(outbox.put(client.base_url, message_of(exam, catalogue)) for exam in exams)
    outcomes: Counter[str] = Counter()

    def count(event: Event) -> None:
        parts = event.receipt.parts
        outcomes.update("created" if part.answer == "201" else "updated or unchanged" for part in parts)

    summary = Sender(outbox, FhirTransport(client), on_event=count).run()
    exam_words = {
        "sent": summary.sent,
        "sent before": placed[PutResult.SENT_BEFORE],
        "superseded": summary.superseded,
    }
    exam_words |= {"given up": summary.dead, "left": summary.left}
    said = ", ".join(f"{count} {word}" for word, count in exam_words.items() if count)
    resources = ", ".join(f"{count} {word}" for word, count in sorted(outcomes.items()))
    click.echo(f"   {counted(len(exams), 'exam')}: {said}" + (f"; resources: {resources}" if resources else ""))


def _fetched(client: FhirClient, roots: Iterable[str], catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    """What the server holds of each exam; of one that it does not hold, nothing."""
    from adapter.send import fetch_exam

    return {root: fetch_exam(client, catalogue, root) or {} for root in roots}


def _arrived(bundle: dict[str, Any], exam: Exam, catalogue: Catalogue) -> bool:
    from adapter.read.bundle import from_bundle

    found = from_bundle(bundle, catalogue) if bundle else []
    return any(_unordered(other) == _unordered(exam) for other in found)


def _unordered(exam: Exam) -> tuple[Any, ...]:
    """An exam without the order of its findings, which a server does not keep."""
    return exam.details, exam.newborn, sorted(map(repr, exam.findings))


def _versions(bundles: dict[str, dict[str, Any]]) -> dict[str, str]:
    """The version of each resource on the server."""
    entries = [entry for bundle in bundles.values() for entry in bundle.get("entry", [])]
    return {entry["fullUrl"]: entry["resource"]["meta"]["versionId"] for entry in entries}
