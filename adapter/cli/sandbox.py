"""``newborn-adapter sandbox``: the loopback FHIR test server in the foreground."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapter.cli.options import catalogue_for, site_option

if TYPE_CHECKING:
    from adapter.sandbox import Faults


@click.command()
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8080,
    show_default=True,
    help="The port to listen on; 0 takes any free one.",
)
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A file to keep the resources in (SQLite); without it they are forgotten at the end.",
)
@click.option(
    "--token-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Ask for a bearer token: one of those in this file, one a line, read anew for each request.",
)
@click.option(
    "--faults",
    "faults_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Rehearse failures: rules in YAML, described in the module adapter.sandbox.faults.",
)
@site_option
def sandbox(port: int, db: Path | None, token_file: Path | None, faults_file: Path | None, site: Path | None) -> None:
    """Run a FHIR R4 test server on this machine, for trying things out. Not for real patients.

    It answers on 127.0.0.1 only, keeps what is sent to it in memory or in a file, and stops on Ctrl-C. A browser
    shows what is on it, at the address without /fhir.

    \b
    Example:
      newborn-adapter sandbox --port 8080
    \b
    and from another window:
      curl http://127.0.0.1:8080/fhir/metadata
    \b
    Every third transaction gets no answer, though it is carried out, with --faults of:
      rules:
        - {fault: reset-after, match: {method: POST}, every: 3}
    """
    import sqlite3

    from adapter.sandbox import CannotServe, SandboxSettings, Store, serve

    faults = _faults(faults_file)
    try:
        store = Store(db)
    except sqlite3.Error as error:
        raise click.UsageError(f"--db {db} cannot be used as a database: {error}") from None
    with store:
        try:
            settings = SandboxSettings(token_file, catalogue=catalogue_for(site) if site else None)
            serve(store, port=port, settings=settings, faults=faults, ready=lambda base: _announce(base, db, faults))
        except CannotServe as error:
            raise click.UsageError(f"{error} (--port)") from None
        except KeyboardInterrupt:
            click.echo("Stopped.")


def _faults(path: Path | None) -> Faults | None:
    if path is None:
        return None
    from adapter.sandbox import BadFaults, load_faults

    try:
        return load_faults(path)
    except BadFaults as error:
        raise click.UsageError(f"--faults {path} cannot be used:\n{error}") from None
    except OSError as error:
        raise click.UsageError(f"--faults {path} cannot be read: {error.strerror}") from None


def _announce(base: str, db: Path | None, faults: Faults | None) -> None:
    click.echo(f"FHIR test server at {base} (resources in {db or 'memory'}; for tests only; Ctrl-C stops it)")
    click.echo(f"Try: curl {base}/metadata")
    click.echo(f"Look: {base.removesuffix('/fhir')}/")
    if faults:
        click.echo(f"Some requests will go wrong on purpose: {len(faults.rules)} rules of failures.")
