"""``newborn-adapter terminology``: the codes of a catalogue against a terminology server's release."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from adapter.cli.log import note, tell
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reporting import counted
from adapter.cli.targets import Address, target_options
from adapter.problems import ExitCode, Problem, Severity

if TYPE_CHECKING:
    from adapter.catalogue.proof import Proof
    from adapter.send.terminology import Terminology

F = TypeVar("F", bound=Callable[..., Any])
_FILE = click.Path(path_type=Path, dir_okay=False)
_FAILING = {
    "error": (Severity.FATAL, Severity.ERROR),
    "warning": (Severity.FATAL, Severity.ERROR, Severity.WARNING),
    "never": (),
}


@click.group()
def terminology() -> None:
    """Ask a FHIR R4 terminology server about the codes of a catalogue. Codes alone leave, never a patient's data.

    \b
    Example:
      newborn-adapter terminology prove --to http://127.0.0.1:8080/fhir --site my-ward/
      newborn-adapter terminology candidates alertness --to http://127.0.0.1:8080/fhir --out candidates.csv
      newborn-adapter terminology choose candidates.csv --site my-ward/
      newborn-adapter terminology maps --to http://127.0.0.1:8080/fhir
    """


def _asking(command: F) -> F:
    """The options of a server, of a record in its place, and of the site."""
    options = (
        target_options,
        click.option("--record", type=_FILE, help="Write all questions and answers to this file."),
        click.option("--recorded", type=_FILE, help="Take the answers from such a file instead of a server."),
        site_option,
    )
    for option in reversed(options):
        command = option(command)
    return command


_form = click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "sarif", "junit"]),
    default="text",
    show_default=True,
    help="text for people, json is the proof itself, sarif and junit for pipelines.",
)
_out = click.option("--out", type=_FILE, help="Where to write it; standard output without it.")
_fail_on = click.option(
    "--fail-on", type=click.Choice(list(_FAILING)), default="error", show_default=True, help="When to exit with 1."
)


@terminology.command()
@_asking
@_form
@_out
@_fail_on
def prove(form: str, out: Path | None, fail_on: str, site: Path | None, **server: Any) -> None:
    """Ask of every code that the catalogue may send: is it there, active, called so, and of the kind its role needs?

    With --site the proof is also kept in the site's folder (terminology-proof.json): `items --coverage` shows it, and
    `validate`, `send` and `watch` look for it if the site wants that (`proof` in site.yaml).

    \b
    Example:
      newborn-adapter terminology prove --target hospital.yaml --site my-ward/
      newborn-adapter terminology prove --to URL --record answers.ndjson --format sarif --out proof.sarif
      newborn-adapter terminology prove --recorded answers.ndjson --site my-ward/
    """
    from adapter.catalogue import forget_catalogues
    from adapter.catalogue.proof import FILE
    from adapter.send.terminology import prove as proved

    catalogue = catalogue_for(site)
    with _answers(server) as asked:
        proof = proved(catalogue, asked)
    kept = proof.model_dump_json(indent=1).encode() + b"\n"
    if site is not None:
        write_output(site / FILE, kept, public=True)
        forget_catalogues()  # the site is another now
    problems = proof.problems()
    names = {f"{one.system} {one.code}": f"{one.system} {one.code}: " for one in proof.codes}
    by_code = {name: [p for p in problems if p.what.startswith(begin)] for name, begin in names.items()}
    content = kept if form == "json" else _written(form, problems, by_code, lambda: _in_words(proof))
    write_output(out, content, public=True)
    sys.exit(ExitCode.PROBLEMS if any(p.severity in _FAILING[fail_on] for p in problems) else ExitCode.WELL)


@terminology.command()
@click.argument("item_ids", metavar="[ITEM]...", nargs=-1)
@click.option("--words", help="Look for these words instead of the labels.")
@click.option("--count", type=click.IntRange(1, 50), default=5, show_default=True, help="How many codes for a place.")
@click.option("--format", "form", type=click.Choice(["text", "csv"]), default="text", show_default=True)
@_out
@_asking
def candidates(
    item_ids: tuple[str, ...],
    words: str | None,
    count: int,
    form: str,
    out: Path | None,
    site: Path | None,
    **server: Any,
) -> None:
    """Look for codes for the questions and answers that have our own code alone. Nothing is bound: a person chooses.

    The CSV has edition, server and day as evidence beside each code. A person fills in the column `fit` of what is
    chosen (how well it fits); `terminology choose` then takes it into the site's folder.

    \b
    Example:
      newborn-adapter terminology candidates alertness cry --to URL
      newborn-adapter terminology candidates --target hospital.yaml --format csv --out candidates.csv
    """  # fmt: skip
    from adapter.cli.items import chosen_items
    from adapter.send.terminology import candidates as looked_for

    catalogue = catalogue_for(site)
    items = chosen_items(catalogue, item_ids)
    with _answers(server) as asked:
        found = looked_for(items, catalogue, asked, words=words, count=count)
    as_csv = form == "csv" or (out is not None and out.suffix == ".csv")
    write_output(out, (found.as_csv() if as_csv else found.as_text()).encode(), public=True)


@terminology.command()
@click.argument("table", type=_FILE)
@click.option(
    "--site",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    required=True,
    envvar="NEWBORN_ADAPTER_SITE",
    show_envvar=True,
    help="The site's own folder, which gets the codes.",
)
def choose(table: Path, site: Path) -> None:
    """Take the candidates whose `fit` a person filled in into the site's folder (chosen_codes.csv).

    TABLE is the CSV of `terminology candidates`. `fit` is a code of FHIR's concept-map-equivalence, read from our
    words to the code: equal, equivalent, wider (the code says less), narrower (the code says more); or inexact,
    relatedto, which stand in ConceptMaps and are never sent. `comment` may say why. All of it is taken, or none: what
    the linter says of the catalogue with the codes in it is said first. Then `terminology prove`.

    \b
    Example:
      newborn-adapter terminology choose candidates.csv --site my-ward/
    """
    from adapter.catalogue import forget_catalogues
    from adapter.catalogue.choosing import choose as chosen
    from adapter.catalogue.chosen import FILE

    count, problems, content = chosen(table, site)
    for problem in problems:
        tell(problem)
    if problems:
        note("Nothing was taken into the site's folder.")
        sys.exit(ExitCode.PROBLEMS)
    if not count:
        note(f"In {table} no fit is filled in: nothing was chosen.")
        sys.exit(ExitCode.PROBLEMS)
    write_output(site / FILE, content, public=True)
    forget_catalogues()
    click.echo(
        f"{counted(count, 'code')} taken into {site / FILE}. Now: newborn-adapter terminology prove --site {site}"
    )


@terminology.command()
@_form
@_out
@_fail_on
@_asking
def maps(form: str, out: Path | None, fail_on: str, site: Path | None, **server: Any) -> None:
    """Translate by every ConceptMap of the package, there and back, on a server that has the package installed.

    \b
    Example:
      newborn-adapter terminology maps --to http://127.0.0.1:8080/fhir
    """
    from adapter.send.terminology import translated

    catalogue = catalogue_for(site)
    with _answers(server) as asked:
        count, problems = translated(catalogue, asked)
    by_map: dict[str, list[Problem]] = {}
    for problem in problems:
        by_map.setdefault(problem.where, []).append(problem)
    head = f"{count} mappings asked of {asked.server}: {len(problems)} problems."
    words = lambda: "\n".join([*map(str, problems), head]) + "\n"  # noqa: E731
    write_output(out, _written(form, problems, by_map, words), public=True)
    sys.exit(ExitCode.PROBLEMS if any(p.severity in _FAILING[fail_on] for p in problems) else ExitCode.WELL)


@contextmanager
def _answers(given: dict[str, Any]) -> Iterator[Terminology]:
    """Who answers: the server that the options name, or a record in its place."""
    from adapter.send.terminology import Recorded, Server, recorded_answers

    address: Address = given["address"]
    recorded, record = given["recorded"], given["record"]
    if recorded is not None:
        if address.named or record:
            raise click.UsageError("--recorded takes the place of a server: no --to, --target or --record beside it")
        yield Recorded(recorded)
        return
    target = address.target()
    if target.is_listener:
        raise click.UsageError("a listener of HL7 v2 knows no terminology; name a FHIR server")
    with target.client() as client, recorded_answers(Server(client), record) as asked:
        yield asked


def _written(
    form: str, problems: Sequence[Problem], by_name: dict[str, list[Problem]], words: Callable[[], str]
) -> bytes:
    from adapter.validate.pipelines import junit, sarif

    if form == "sarif":
        return json.dumps(sarif(problems), indent=2, ensure_ascii=False).encode() + b"\n"
    if form == "junit":
        return junit(by_name)
    if form == "json":
        return json.dumps([str(problem) for problem in problems], indent=1, ensure_ascii=False).encode() + b"\n"
    return words().encode()


def _in_words(proof: Proof) -> str:
    from collections import Counter

    from adapter.catalogue.proof import Verdict

    lines = []
    unproved = Counter((one.system, one.findings[0].what) for one in proof.codes if one.verdict is Verdict.UNPROVED)
    lines += [f"unproved  {count} codes of {system}: {what}" for (system, what), count in unproved.items()]
    for one in proof.codes:
        if one.findings and one.verdict is not Verdict.UNPROVED:
            shown = f" |{one.display}|" if one.display else ""
            lines.append(f"{one.verdict.value:<9} {one.system} {one.code}{shown}")
            for found in one.findings:
                lines.append(f"    {found.severity.value}: {found.what} [{found.rule}]")
                lines += [f"        expected: {found.remedy}"] if found.remedy else []
            lines.append(f"    stands at {'; '.join(one.places[:3])}" + (" …" if len(one.places) > 3 else ""))
    editions = ", ".join(f"{name} {one.version or 'version not told'}" for name, one in proof.editions.items())
    counts = Counter(one.verdict.value for one in proof.codes)
    lines += [
        f"{len(proof.codes)} codes: {', '.join(f'{n} {verdict}' for verdict, n in counts.most_common())}.",
        f"Editions: {editions}.",
        f"Asked of {proof.server} ({proof.software or 'software not told'}) at {proof.made.isoformat()}.",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"
