"""``newborn-adapter form``: forms to capture an exam with, all made of the catalogue."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from adapter.cli.log import note, tell
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reporting import counted
from adapter.cli.targets import Address, target_options
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue

_USUAL_KIND = "initial"
# Options that say something about one or two of the forms only.
_BELONGS = {
    "--out": ("--questionnaire", "--response", "--page", "--worksheet"),
    "--pretty": ("--questionnaire", "--response"),
    "--extract": ("--questionnaire", "--response"),
    "--format": ("--worksheet",),
    "--paper": ("--worksheet",),
    "--drop": ("--serve",),
    "--port": ("--serve",),
    "--behind": ("--serve",),
    "--outbox": ("--serve",),
    "--to or --target": ("--serve",),
    "--born-within": ("--serve",),
    "--location": ("--serve",),
}


@click.command()
@click.option("--questionnaire", is_flag=True, help="FHIR R4 Questionnaires, for any form renderer.")
@click.option(
    "--response",
    type=click.Path(path_type=Path, exists=True, dir_okay=False, allow_dash=True),
    metavar="FILE",
    help="Captured exams as FHIR R4 QuestionnaireResponses.",
)
@click.option("--page", is_flag=True, help="The bedside page: one HTML file that needs no network.")
@click.option("--worksheet", is_flag=True, help="A sheet to print.")
@click.option("--serve", is_flag=True, help="The bedside page at 127.0.0.1; its records go into --drop.")
@click.option("--kind", metavar="KIND", help="A kind of exam (initial, shift, discharge, ...); else each of them.")
@click.option("--format", "encoding", type=click.Choice(["html", "pdf"]), help="Of the worksheet; html without it.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="Of the worksheet. Default: the site's paper.")
@click.option("--pretty", is_flag=True, default=None, help="Indented, for people.")
@click.option(
    "--extract",
    type=click.Choice(["observations", "templates"]),
    help="How servers that extract (HL7 SDC) make Observations of a questionnaire's responses: by marks on what is "
    "whole by itself (default), or by template Observations, six times as large, for every item.",
)
@click.option(
    "--drop",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="The drop folder for --serve, which the command watch takes records from.",
)
@click.option("--port", type=click.IntRange(0, 65535), help="For --serve; any free one without it.")
@click.option(
    "--behind",
    metavar="URL",
    help="For --serve: the address by which a reverse proxy shows the page (https://exams.hospital.example).",
)
@target_options
@click.option(
    "--outbox",
    "outbox_file",
    type=click.Path(path_type=Path, dir_okay=False),
    envvar="NEWBORN_ADAPTER_OUTBOX",
    show_envvar=True,
    help="For --serve: the file of the command watch; the page then shows what is sent, and why not.",
)
@click.option(
    "--born-within",
    type=click.IntRange(1, 60),
    metavar="DAYS",
    help="For --serve with a FHIR server: list the newborns born so lately; 5 days without it.",
)
@click.option(
    "--location", metavar="ID", help="For that list: only who is at this Location (its id, or system|value)."
)
@click.option("--out", type=click.Path(path_type=Path), help="A file; or a folder, for one file a questionnaire.")
@site_option
def form(
    questionnaire: bool,
    response: Path | None,
    page: bool,
    worksheet: bool,
    serve: bool,
    kind: str | None,
    encoding: str | None,
    paper: str | None,
    pretty: bool | None,
    extract: str | None,
    drop: Path | None,
    port: int | None,
    behind: str | None,
    address: Address,
    outbox_file: Path | None,
    born_within: int | None,
    location: str | None,
    out: Path | None,
    site: Path | None,
) -> None:
    """Make a form to capture an exam with: for a form renderer, for a tablet at the cot side, for paper.

    Every form is made of the catalogue and the site's folder, in the order of a calm exam. What is filled in comes
    back as a capture file that check, convert and send read. Nothing is ever filled in beforehand.

    \b
    Example:
      newborn-adapter form --questionnaire --kind initial --out initial.json
      newborn-adapter form --questionnaire --kind shift --extract templates --out shift.json
      newborn-adapter form --response exam.json --pretty
      newborn-adapter form --page --out exam.html
      newborn-adapter form --worksheet --kind shift --format pdf --out shift.pdf
    \b
    and on the machine beside the cot, with the command watch on the same folder:
      mkdir drop && newborn-adapter form --serve --drop drop
    \b
    and there with the watch's outbox and the hospital's server, so that the page shows of each
    exam whether it waits, is on the server and read back, or was refused and why, and lists the
    newborns that the server has:
      newborn-adapter form --serve --drop drop --outbox outbox.db --target hospital.yaml
    """
    wanted = {
        "--questionnaire": questionnaire,
        "--response": response is not None,
        "--page": page,
        "--worksheet": worksheet,
        "--serve": serve,
    }
    given = {
        "--out": out,
        "--pretty": pretty,
        "--extract": extract,
        "--format": encoding,
        "--paper": paper,
        "--drop": drop,
        "--port": port,
        "--behind": behind,
        "--outbox": _typed("outbox_file"),
        "--to or --target": _typed("url") or _typed("target_file"),
        "--born-within": born_within,
        "--location": location,
    }
    chosen = _one_of(wanted, given)
    catalogue = catalogue_for(site)
    if kind is not None and kind not in catalogue.kinds:
        raise click.UsageError(f"there is no kind of exam {kind}; there are {', '.join(catalogue.kinds)}")
    templates = extract == "templates"
    if chosen == "--questionnaire":
        _questionnaires([kind] if kind else list(catalogue.kinds), catalogue, bool(pretty), templates, out)
    elif response is not None:
        _responses(response, kind, catalogue, bool(pretty), templates, out)
    elif chosen == "--page":
        write_output(out, _page(catalogue, kind), public=True)
    elif chosen == "--worksheet":
        _worksheet(catalogue, kind, encoding or "html", paper or catalogue.settings.paper, out)
    else:
        from adapter.cli.page_server import serve_page

        if drop is None:
            raise click.UsageError("--serve needs --drop DIR, the folder that its records go into")
        serve_page(catalogue, kind, drop, port or 0, behind, address, outbox_file, born_within, location)


def _typed(option: str) -> object:
    """The value of an option that was typed; one of the environment is for whichever command has a use for it."""
    context = click.get_current_context()
    typed = context.get_parameter_source(option) is ParameterSource.COMMANDLINE
    return context.params[option] if typed else None


def _one_of(wanted: Mapping[str, bool], given: Mapping[str, object]) -> str:
    """The form that was asked for; usage error where it is not exactly one, or an option is of another."""
    chosen = [name for name, asked in wanted.items() if asked]
    if len(chosen) != 1:
        said = " and ".join(chosen) or "none"
        raise click.UsageError(f"one of {', '.join(wanted)} is needed; given: {said}")
    for name, value in given.items():
        if value is not None and chosen[0] not in _BELONGS[name]:
            raise click.UsageError(f"{name} belongs to {' or '.join(_BELONGS[name])}, not to {chosen[0]}")
    return chosen[0]


def _questionnaires(kinds: list[str], catalogue: Catalogue, pretty: bool, templates: bool, out: Path | None) -> None:
    from adapter.fhir.json import dumps
    from adapter.forms import to_questionnaire

    folder = out is not None and (out.is_dir() or (len(kinds) > 1 and not out.suffix))
    if not folder and len(kinds) > 1 and pretty:
        raise click.UsageError("several questionnaires indented need a folder: --out FOLDER/, or one --kind")
    forms = {kind: to_questionnaire(catalogue, kind, templates=templates) for kind in kinds}
    made = {form["id"]: dumps(form, pretty=pretty) + b"\n" for form in forms.values()}
    if out is None or not folder:
        write_output(out, b"".join(made.values()), public=True)
        return
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.UsageError(f"{out} cannot be made: {error.strerror}") from None
    for name, content in made.items():
        write_output(out / f"{name}.json", content, public=True)


def _responses(
    path: Path, kind: str | None, catalogue: Catalogue, pretty: bool, templates: bool, out: Path | None
) -> None:
    """Each exam as a response; those with errors are refused, the others go on."""
    from adapter.fhir.json import dumps
    from adapter.forms import to_response
    from adapter.read import read

    source = sys.stdin.buffer if str(path) == "-" else path
    readings = list(read(source, catalogue, name="standard input" if str(path) == "-" else str(path)))
    exams = [r.exam for r in readings if r.accepted and r.exam is not None]
    for reading in readings:
        for problem in reading.errors:
            tell(problem)
    for exam in exams:
        if kind is not None and exam.details.kind != kind:
            raise click.UsageError(f"the exam {exam.details.id} is of the kind {exam.details.kind}, not {kind}")
    if len(exams) > 1 and pretty:
        raise click.UsageError("several responses are written one a line, without --pretty")
    if exams:
        made = [to_response(exam, catalogue, apart=templates) for exam in exams]
        write_output(out, b"".join(dumps(response, pretty=pretty) + b"\n" for response in made))
    if len(exams) < len(readings):
        note(f"{counted(len(exams), 'exam')} written, {len(readings) - len(exams)} refused.")
        sys.exit(ExitCode.PROBLEMS)


def _page(catalogue: Catalogue, kind: str | None) -> bytes:
    from adapter.forms.page import to_page

    return to_page(catalogue, kind)


def _worksheet(catalogue: Catalogue, kind: str | None, encoding: str, paper: str, out: Path | None) -> None:
    from adapter.document import PdfNotInstalled
    from adapter.forms.worksheet import to_worksheet

    chosen = kind or (_USUAL_KIND if _USUAL_KIND in catalogue.kinds else next(iter(catalogue.kinds)))
    try:
        content = to_worksheet(catalogue, chosen, encoding=encoding, paper=paper)
    except PdfNotInstalled as error:
        raise click.UsageError(str(error)) from None
    write_output(out, content, public=True)
