"""The command line: a thin skin over the library, one file a command.

Exit codes: 0 all well, 1 problems found in the data, 2 wrong usage, 3 a server could not be reached or
refused, 4 internal fault.
"""

from __future__ import annotations

import atexit
import gc
import os
import sys
from importlib import import_module
from typing import Any

import click

from adapter import __version__
from adapter.cli.log import failed, fault_in_words, log_option, logged, note
from adapter.problems import AdapterError, ExitCode

COMMANDS = {
    "demo": "The invented exams the whole way, on this machine alone.",
    "items": "Browse what can be examined: codes, ranges, rules, sources.",
    "form": "Make a form to capture an exam with: screen, paper, Questionnaire.",
    "columns": "Draft and check column plans, for tables of any form.",
    "check": "Say what is wrong, what is missing, what must be told.",
    "convert": "Make FHIR bundles, documents, reports, HL7 v2 of exams.",
    "validate": "Validate FHIR R4 files, whoever made them.",
    "send": "Send exams to a FHIR server or an HL7 v2 listener, each once.",
    "outbox": "Look at what waits, what was sent, what was given up.",
    "reassign": "Put an exam on the right newborn that was recorded on the wrong one.",
    "watch": "Send each file that is put into a folder.",
    "sandbox": "Run a FHIR test server on this machine.",
    "extract": "Make research tables of exams.",
    "held": "Say which extracts hold an exam that was retracted.",
    "quality": "Report on the data of an extract: gaps, digits, slips.",
    "package": "Write the catalogue as a FHIR package.",
    "site": "Start a site's own folder; rehearse it before it goes live.",
    "terminology": "Prove the codes against a terminology server.",
}
"""Each command and what it does in a line; ``--help`` says so without loading any of them."""


class _Commands(click.Group):
    """Loads a command's module only when it is used; and that one loads, when it runs, what it uses."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = getattr(import_module(f"adapter.cli.{cmd_name}"), cmd_name)
        assert isinstance(command, click.Command)
        log_option(command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Keeps the words of the command line: the log begins before a command has read its own."""
        ctx.meta["words"] = list(args)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Every error of ours ends here: its words, and the exit code of its class."""
        with logged(next((word for word in ctx.meta["words"] if word in COMMANDS), ""), ctx.meta["words"]):
            return self._invoked(ctx)

    def _invoked(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except (KeyboardInterrupt, click.exceptions.Abort):
            sys.exit(ExitCode.INTERRUPTED)
        except AdapterError as error:
            if error.exit_code is ExitCode.INTERNAL:
                raise
            failed(error)
            sys.exit(error.exit_code)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="newborn-adapter")
def cli() -> None:
    """Newborn examination findings as FHIR R4: capture files in, proven bundles out.

    \b
    Example:
      newborn-adapter demo

    It makes lists for a licensed person, not diagnoses; local policy decides.
    Exit codes: 0 well, 1 problems in the data, 2 wrong usage, 3 server, 4 internal fault, 5 a file that cannot be
    written, 130 interrupted.
    """


log_option(cli)


def main() -> None:
    """Run the command line; an internal fault says so in one line, with no data of patients in it."""
    gc.set_threshold(150_000, 20, 50)  # the catalogue stays to the end: looking through it for cycles costs a tenth
    atexit.register(gc.freeze)  # nor is it at the end: the system takes all of a process back, in a third of the time
    # pydantic would look through every installed package for plugins of its own, which costs a twentieth
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        cli()
    except Exception as error:
        if os.environ.get("NEWBORN_ADAPTER_TRACEBACK"):
            raise
        note(fault_in_words(error))
        sys.exit(ExitCode.INTERNAL)
