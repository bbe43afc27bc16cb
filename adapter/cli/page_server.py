"""What ``newborn-adapter form --serve`` runs: the page, where its records go, and what became of them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import click

from adapter.cli.targets import Address
from adapter.problems import AdapterError

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue
    from adapter.forms.serve import Followed, Ward
    from adapter.send.target import Target


def serve_page(
    catalogue: Catalogue,
    kind: str | None,
    drop: Path,
    port: int,
    behind: str | None,
    address: Address,
    outbox_file: Path | None,
    born_within: int | None,
    location: str | None,
) -> None:
    """Serve until the process is told to stop. Raises a usage error for what cannot be used."""
    from adapter.forms.page import to_page
    from adapter.forms.serve import Filing, serve

    if behind is not None and (urlsplit(behind).scheme != "https" or behind != f"https://{urlsplit(behind).netloc}"):
        what = "--behind takes https, a host, and a port where it is not 443: https://exams.hospital.example"
        raise click.UsageError(what)
    target = address.target() if address.named else None
    hospital = None if target is None or target.is_listener else target
    if hospital is None and (born_within is not None or location is not None):
        raise click.UsageError("--born-within and --location are for the list of a FHIR server: --to URL or --target")
    try:
        with ExitStack() as stack:
            filing = stack.enter_context(Filing(drop, catalogue))
            followed = stack.enter_context(follow(drop, outbox_file, target))
            ward = (
                stack.enter_context(listed(hospital, catalogue, born_within or 5, location or ""))
                if hospital
                else None
            )
            page = to_page(catalogue, kind, served=True, ward=hospital is not None)
            say = partial(_announce, drop, target, outbox_file)
            serve(page, filing, port, say, followed=followed, ward=ward, behind=behind)
    except AdapterError as error:
        raise click.UsageError(str(error)) from None
    except KeyboardInterrupt:
        click.echo("Stopped.")


@contextmanager
def follow(drop: Path, outbox_file: Path | None, target: Target | None) -> Iterator[Followed]:
    """Where exams are that were handed over into ``drop``; read back where there are an outbox and a FHIR server."""
    from adapter.send.transport import Inspectable
    from adapter.send.watch import Whereabouts

    with ExitStack() as stack:
        transport = stack.enter_context(target.transport()) if target else None
        verify = transport.verify if isinstance(transport, Inspectable) else None
        to = transport.target if transport else None
        whereabouts = stack.enter_context(Whereabouts(drop, outbox_file, to, verify))
        yield lambda exams: {name: where.as_json() for name, where in whereabouts.of(exams).items()}


@contextmanager
def listed(target: Target, catalogue: Catalogue, born_within: int, location: str) -> Iterator[Ward]:
    """The newborns that the server of ``target`` has, read anew each time."""
    from adapter.send import ward_list

    with target.client() as client:
        yield lambda: ward_list(client, catalogue, born_within=born_within, location=location).as_json()


def _announce(drop: Path, target: Target | None, outbox_file: Path | None, at: str) -> None:
    click.echo(f"The bedside page is at {at} (this machine only; Ctrl-C stops it)")
    to = "the server of --target" if target else "URL"
    kept = outbox_file or "FILE"
    click.echo(f"Its records go into {drop}; send them with: newborn-adapter watch {drop} --to {to} --outbox {kept}")
