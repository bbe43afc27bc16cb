"""``newborn-adapter sandbox``: the loopback FHIR test server in the foreground."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import click

from adapter.sandbox import CannotServe, Store, serve


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
def sandbox(port: int, db: Path | None) -> None:
    """Run a FHIR R4 test server on this machine, for trying things out. Not for real patients.

    It answers on 127.0.0.1 only, keeps what is sent to it in memory or in a file, and stops on Ctrl-C.

    \b
    Example:
      newborn-adapter sandbox --port 8080
    \b
    and from another window:
      curl http://127.0.0.1:8080/fhir/metadata
    """
    try:
        store = Store(db)
    except sqlite3.Error as error:
        raise click.UsageError(f"--db {db} cannot be used as a database: {error}") from None
    with store:
        try:
            serve(store, port=port, ready=lambda base: _announce(base, db))
        except CannotServe as error:
            raise click.UsageError(f"{error} (--port)") from None
        except KeyboardInterrupt:
            click.echo("Stopped.")


def _announce(base: str, db: Path | None) -> None:
    click.echo(f"FHIR test server at {base} (resources in {db or 'memory'}; for tests only; Ctrl-C stops it)")
    click.echo(f"Try: curl {base}/metadata")
