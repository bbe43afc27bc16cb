"""Options that name a server to send to, shared by the commands that send."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from adapter.cli.reporting import note

if TYPE_CHECKING:
    from adapter.exam import Identifier
    from adapter.send import Outbox
    from adapter.send.target import Target

F = TypeVar("F", bound=Callable[..., Any])

_OPTIONS = (
    click.option(
        "--to",
        "url",
        metavar="URL",
        help="The server's base address, such as https://server/fhir; mllps://host:port to send HL7 v2 messages.",
    ),
    click.option(
        "--target",
        "target_file",
        type=click.Path(path_type=Path, dir_okay=False),
        envvar="NEWBORN_ADAPTER_TARGET",
        help="A YAML file that says where the server is, who we are there and how to send; it holds no secrets.",
    ),
    click.option("--token-env", metavar="NAME", help="The environment variable that holds a bearer token."),
    click.option(
        "--token-file", type=click.Path(path_type=Path, dir_okay=False), help="The file that holds a bearer token."
    ),
    click.option("--ca-bundle", type=click.Path(path_type=Path, dir_okay=False), help="Authorities to trust (PEM)."),
    click.option(
        "--allow-plain-http",
        "--allow-plain-mllp",
        "allow_plain",
        is_flag=True,
        help="Send unencrypted, to another machine too. Not for real patients.",
    ),
)


def newborns_option(command: F) -> F:
    """``--newborns``."""
    return click.option(
        "--newborns",
        type=click.Choice(["known", "made"]),
        help="Whether a newborn must be known to the FHIR server, or is made there. Default: as the target file says,"
        " else known; made on this machine alone.",
    )(command)


def with_newborns(target: Target, newborns: str | None) -> Target:
    """The target, newborns known or made as the option says."""
    if newborns is None:
        return target
    if target.url.startswith("mllp"):
        raise click.UsageError("--newborns is for FHIR servers: a listener of HL7 v2 cannot be asked whom it knows")
    return target.model_copy(update={"newborns": newborns})


def target_options(command: F) -> F:
    """``--to``, ``--target`` and what goes with them; a token itself is never an option, since others see those."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def _identifiers(ctx: click.Context, option: click.Parameter, values: tuple[str, ...]) -> tuple[Identifier, ...]:
    from adapter.exam import Identifier

    found = []
    for text in values:
        system, bar, value = text.partition("|")
        if not (system and bar and value):
            raise click.UsageError(f"--newborn {text}: write it as system|value")
        found.append(Identifier(system=system, value=value))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Source:
    """A server to read from, as options name it, and which exams of it."""

    url: str | None
    target_file: Path | None
    token_env: str | None
    token_file: Path | None
    exams: tuple[str, ...]
    newborns: tuple[Identifier, ...]

    @property
    def named(self) -> bool:
        """Whether there is one."""
        return self.url is not None or self.target_file is not None

    def target(self) -> Target:
        """The server; a usage error where it cannot be used."""
        return target_from(self.url, self.target_file, self.token_env, self.token_file, None, False)


_FILE = click.Path(path_type=Path, dir_okay=False)
_SOURCE = (
    click.option("--from", "url", metavar="URL", help="Read from this FHIR server instead of files."),
    click.option("--target", "target_file", type=_FILE, help="As for send: a YAML file that names the server."),
    click.option("--token-env", metavar="NAME", help="The environment variable that holds a bearer token."),
    click.option("--token-file", type=_FILE, help="The file that holds a bearer token."),
    click.option("--exam", "exams", multiple=True, metavar="ID", help="From the server: only this exam."),
    click.option(
        "--newborn",
        "newborns",
        multiple=True,
        callback=_identifiers,
        metavar="SYSTEM|VALUE",
        help="From the server: only of these.",
    ),
)


def source_options(command: F) -> F:
    """``--from``, ``--target`` and what goes with them, as one argument ``source``."""

    @wraps(command)
    def with_source(**given: Any) -> Any:
        source = Source(**{field.name: given.pop(field.name) for field in fields(Source)})
        return command(source=source, **given)

    for option in reversed(_SOURCE):
        with_source = option(with_source)
    return cast(F, with_source)


def outbox_option(command: F) -> F:
    """``--outbox FILE``."""
    return click.option(
        "--outbox",
        "outbox_file",
        type=click.Path(path_type=Path, dir_okay=False),
        default=Path("outbox.db"),
        show_default=True,
        envvar="NEWBORN_ADAPTER_OUTBOX",
        help="The file that keeps what is to be sent and what became of it. It holds patients' data.",
    )(command)


def target_from(
    url: str | None,
    target_file: Path | None,
    token_env: str | None,
    token_file: Path | None,
    ca_bundle: Path | None,
    allow_plain: bool,
) -> Target:
    """The server that the options name; a usage error where they name none, or one that cannot be used."""
    from adapter.send.target import load_target, target_of

    if (url is None) == (target_file is None):
        raise click.UsageError("name the server: --to URL, or --target FILE")
    if token_env is not None and token_file is not None:
        raise click.UsageError("--token-env or --token-file, not both")
    content: dict[str, Any] = (
        load_target(target_file).model_dump(exclude_unset=True) if target_file is not None else {"url": url}
    )
    if token_env is not None or token_file is not None:
        content["auth"] = {"kind": "bearer", "token_env": token_env, "token_file": token_file}
    if ca_bundle is not None:
        content["tls"] = {**content.get("tls", {}), "ca_bundle": ca_bundle}
    if allow_plain:
        mllp = str(content.get("url", "")).startswith("mllp")
        content["allow_plain_mllp" if mllp else "allow_plain_http"] = True
    found = target_of(content, str(target_file or "the options"))
    for remark in found.remarks():
        note(remark)
    return found


def opened_outbox(path: Path) -> Outbox:
    """The outbox; said, where others could have read it."""
    from adapter.send import Outbox

    opened = Outbox(path)
    if opened.narrowed:
        note(f"{path} could be read by others than its owner; it is its owner's alone now")
    return opened
