"""Options that name a server to send to, shared by the commands that send."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from adapter.cli.log import note

if TYPE_CHECKING:
    from adapter.catalogue.settings import Persons
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
        show_envvar=True,
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


def persons_option(command: F) -> F:
    """``--persons``, by setting."""
    return click.option(
        "--persons",
        multiple=True,
        callback=_persons,
        metavar="WHO=HOW",
        help="Whether the mother, examiners, encounter (the ward's), organisation, device (this software) are made on"
        " the FHIR server, known there, or left to their identifier: mother=known. Default: as the target file says,"
        " else the site, else made.",
    )(command)


def _persons(ctx: click.Context, option: click.Parameter, values: tuple[str, ...]) -> Persons:
    from pydantic import ValidationError

    from adapter.catalogue.settings import Persons

    try:
        return Persons.model_validate(dict(value.partition("=")[::2] for value in values))
    except ValidationError as error:
        who = str(error.errors()[0]["loc"][0])
        names = ", ".join(Persons.model_fields)
        what = f"one of {names}" if who not in Persons.model_fields else error.errors()[0]["msg"]
        raise click.UsageError(f"--persons {who}: {what}") from None


def with_persons(target: Target, persons: Persons) -> Target:
    """The target, whom an exam names made, known or left to an identifier as the options say."""
    if not persons.model_dump(exclude_none=True):
        return target
    if target.is_listener:
        raise click.UsageError("--persons is for FHIR servers: a listener of HL7 v2 cannot be asked whom it knows")
    newborns = persons.newborn or target.newborns
    return target.model_copy(update={"persons": persons.over(target.persons), "newborns": newborns})


def with_newborns(target: Target, newborns: str | None) -> Target:
    """The target, newborns known or made as the option says."""
    if newborns is None:
        return target
    if target.is_listener:
        raise click.UsageError("--newborns is for FHIR servers: a listener of HL7 v2 cannot be asked whom it knows")
    return target.model_copy(update={"newborns": newborns})


def target_options(command: F) -> F:
    """``--to``, ``--target`` and what goes with them, as one argument ``address``; a token itself is never an option,
    since others see those."""
    return _as_one(command, "address", Address, _OPTIONS)


def _as_one(command: F, name: str, kind: type[Address], options: Sequence[Callable[[Any], Any]]) -> F:
    """The command with the options, whose values reach it as one argument."""

    @wraps(command)
    def with_one(**given: Any) -> Any:
        of_kind = {field.name: given.pop(field.name) for field in fields(kind) if field.name in given}
        return command(**{name: kind(**of_kind)}, **given)

    for option in reversed(options):
        with_one = option(with_one)
    return cast(F, with_one)


def _identifiers(ctx: click.Context, option: click.Parameter, values: tuple[str, ...]) -> tuple[Identifier, ...]:
    if not values:
        return ()
    from adapter.exam import Identifier

    found = []
    for text in values:
        system, bar, value = text.partition("|")
        if not (system and bar and value):
            raise click.UsageError(f"--newborn {text}: write it as system|value")
        found.append(Identifier(system=system, value=value))
    return tuple(found)


def _filters(ctx: click.Context, option: click.Parameter, values: tuple[str, ...]) -> tuple[str, ...]:
    if not values:
        return values
    from adapter.send.rest.bulk import TYPES

    for text in values:
        type_, mark, search = text.partition("?")
        if type_ not in TYPES or not mark or not search:
            raise click.UsageError(f"--type-filter {text}: write it as TYPE?SEARCH, TYPE one of {', '.join(TYPES)}")
    return values


def _instant(ctx: click.Context, option: click.Parameter, value: str | None) -> str | None:
    if value is None:
        return None
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        moment = datetime.min
    if moment.tzinfo is None:
        raise click.UsageError(f"--since {value}: write a date, a time and a zone, such as 2026-11-28T08:00:00+01:00")
    return moment.isoformat()


@dataclass(frozen=True, slots=True)
class Address:
    """A server, as options name it."""

    url: str | None
    target_file: Path | None
    token_env: str | None
    token_file: Path | None
    ca_bundle: Path | None = None
    allow_plain: bool = False

    @property
    def named(self) -> bool:
        """Whether there is one."""
        return self.url is not None or self.target_file is not None

    def target(self) -> Target:
        """The server; a usage error where the options name none, or one that cannot be used."""
        from adapter.send.target import load_target, target_of

        if (self.url is None) == (self.target_file is None):
            raise click.UsageError("name the server: --to URL, or --target FILE")
        if self.token_env is not None and self.token_file is not None:
            raise click.UsageError("--token-env or --token-file, not both")
        content: dict[str, Any] = {"url": self.url}
        if self.target_file is not None:
            content = load_target(self.target_file).model_dump(exclude_unset=True)
        if self.token_env is not None or self.token_file is not None:
            content["auth"] = {"kind": "bearer", "token_env": self.token_env, "token_file": self.token_file}
        if self.ca_bundle is not None:
            content["tls"] = {**content.get("tls", {}), "ca_bundle": self.ca_bundle}
        if self.allow_plain:
            mllp = str(content.get("url", "")).startswith("mllp")
            content["allow_plain_mllp" if mllp else "allow_plain_http"] = True
        found = target_of(content, str(self.target_file or "the options"))
        for remark in found.remarks():
            note(remark)
        return found


@dataclass(frozen=True, slots=True)
class SourceOptions(Address):
    """A server to read from, and which exams of it."""

    exams: tuple[str, ...] = ()
    newborns: tuple[Identifier, ...] = ()
    since: str | None = None
    by_search: bool = False
    group: str | None = None
    type_filters: tuple[str, ...] = ()


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
    click.option(
        "--since",
        metavar="INSTANT",
        callback=_instant,
        help="From the server: only exams filed or changed there since, such as 2026-11-28T08:00:00Z.",
    ),
    click.option(
        "--by-search", is_flag=True, help="From the server: search it even where it offers a Bulk Data export."
    ),
    click.option("--group", metavar="ID", help="From the server: the Bulk Data export of this Group alone."),
    click.option(
        "--type-filter",
        "type_filters",
        multiple=True,
        callback=_filters,
        metavar="TYPE?SEARCH",
        help="From the server: narrow its Bulk Data export by a search (_typeFilter); of several of a type any.",
    ),
)


def source_options(command: F) -> F:
    """``--from``, ``--target`` and what goes with them, as one argument ``source``."""
    return _as_one(command, "source", SourceOptions, _SOURCE)


def outbox_option(command: F) -> F:
    """``--outbox FILE``."""
    return click.option(
        "--outbox",
        "outbox_file",
        type=click.Path(path_type=Path, dir_okay=False),
        default=Path("outbox.db"),
        show_default=True,
        envvar="NEWBORN_ADAPTER_OUTBOX",
        show_envvar=True,
        help="The file that keeps what is to be sent and what became of it. It holds patients' data.",
    )(command)


def opened_outbox(path: Path) -> Outbox:
    """The outbox; said, where others could have read it."""
    from adapter.send import Outbox

    opened = Outbox(path)
    if opened.narrowed:
        note(f"{path} could be read by others than its owner; it is its owner's alone now")
    return opened
