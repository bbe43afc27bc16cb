"""What a command says beside its output, on standard error: words, or with ``--log json`` one JSON object a line.

The objects have ``time`` (ISO 8601, UTC), ``level`` (``info``, ``warning``, ``error``), ``event``, ``command``, and
by event also:

- ``said``: ``message``, the words as they would stand in the text form;
- ``problem``: the fields of a problem (``severity``, ``layer``, ``rule``, ``what``, and where known ``remedy``,
  ``where``, ``file``, ``item``, ``line``, ``column``), also of those that the output shows;
- ``progress``: ``read``, ``refused``, ``a_second``, and where the end can be known ``percent`` and ``seconds_left``;
- ``exam``: what became of one as it is sent: ``exam``, ``state``, and where known ``cause`` and ``pause``;
- ``end``: the last line, with ``exit`` and ``seconds``.

No line holds data of patients beyond ids and, of a value that is refused, what was wrong with it. Whatever else is
written to standard error is ``said`` as well.
"""

from __future__ import annotations

import errno
import io
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from threading import RLock
from typing import Any, TextIO

import click

from adapter.problems import AdapterError, ExitCode, Problem, Severity

FORMS = ("text", "json")
VARIABLE = "NEWBORN_ADAPTER_LOG"
_LEVELS = {Severity.FATAL: "error", Severity.ERROR: "error", Severity.WARNING: "warning"}


class _JsonLines(io.TextIOBase):
    """Takes the place of standard error while a command runs."""

    def __init__(self, stream: TextIO, command: str) -> None:
        self._stream, self._command, self._begun = stream, command, ""
        self._lock = RLock()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """As a stream of text has it."""
        return "utf-8"

    def writable(self) -> bool:
        """It is."""
        return True

    def write(self, text: str) -> int:
        """Text that somebody writes to standard error: each line is said."""
        with self._lock:
            *lines, self._begun = (self._begun + text).replace("\r", "\n").split("\n")
            for line in lines:
                if line.strip():
                    self.record("said", message=line.strip())
        return len(text)

    def record(self, event: str, level: str = "info", **fields: Any) -> None:
        """One line."""
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        content = {"time": now, "level": level, "event": event, "command": self._command, **fields}
        with self._lock:
            self._stream.write(json.dumps(content, ensure_ascii=False, default=str) + "\n")
            self._stream.flush()

    def end(self, code: int, begun: float) -> None:
        """The last line, after what was left of a line."""
        if self._begun:
            self.write("\n")
        self.record("end", "info" if code == 0 else "error", exit=code, seconds=round(time.monotonic() - begun, 3))


def _lines() -> _JsonLines | None:
    return sys.stderr if isinstance(sys.stderr, _JsonLines) else None


def note(text: str) -> None:
    """A remark beside the output, on standard error."""
    lines = _lines()
    if lines is None:
        click.echo(text, file=sys.stderr)
    elif text.strip():
        lines.record("said", message=text.strip())


def tell(problem: Problem) -> None:
    """A problem, on standard error."""
    if _lines() is None:
        click.echo(str(problem), file=sys.stderr)
    else:
        heard(problem)


def failed(error: AdapterError) -> None:
    """Why a command ended: its problems one by one, or its words."""
    lines = _lines()
    if lines is None:
        click.echo(str(error), file=sys.stderr)
    elif not error.problems:
        lines.record("said", "error", message=str(error))
    for problem in error.problems:
        heard(problem)


def show(problem: Problem, indent: str = "") -> None:
    """A problem as part of the output."""
    click.echo(f"{indent}{problem}")
    heard(problem)


def heard(problem: Problem) -> None:
    """A problem that the output shows, for the log of lines as well."""
    from adapter.run.rejects import problem_fields

    lines = _lines()
    if lines is not None:
        lines.record("problem", _LEVELS.get(problem.severity, "info"), **problem_fields(problem))


def record(event: str, **fields: Any) -> None:
    """An event that the text form does not have, or has in the output."""
    lines = _lines()
    if lines is not None:
        lines.record(event, **{name: value for name, value in fields.items() if value is not None})


def progress() -> TextIO | Callable[[dict[str, Any]], None]:
    """Where a run reports how far it is: the stream, or what makes a line of each report."""
    return sys.stderr if _lines() is None else lambda report: record("progress", **report)


def log_option(command: click.Command) -> None:
    """``--log`` in the help of a command, and of those below it."""
    option = click.Option(
        ["--log"],
        type=click.Choice(FORMS),
        expose_value=False,
        envvar=VARIABLE,
        show_envvar=True,
        help="How progress, problems and the end are told on standard error; json is one object a line.",
    )
    if not any(one.name == "log" for one in command.params):
        command.params.append(option)
    if isinstance(command, click.Group):
        for inner in command.commands.values():
            log_option(inner)


def form_of(arguments: Sequence[str]) -> str:
    """The form that a command line asks for, wherever ``--log`` stands in it; also where it cannot be parsed."""
    found = os.environ.get(VARIABLE, "text")
    for place, word in enumerate(arguments):
        if word == "--":
            break
        if word == "--log":
            found = arguments[place + 1] if place + 1 < len(arguments) else found
        elif word.startswith("--log="):
            found = word.removeprefix("--log=")
    return found


@contextmanager
def logged(command: str, arguments: Sequence[str]) -> Iterator[None]:
    """While a command runs, its log in the form that was asked for. In lines of JSON the end, usage errors and faults
    of the program are lines as well."""
    if form_of(arguments) != "json" or _lines() is not None:
        yield
        return
    before, begun = sys.stderr, time.monotonic()
    lines = sys.stderr = _JsonLines(before, command)
    code = 0
    try:
        yield
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else ExitCode.PROBLEMS
        raise
    except click.exceptions.Exit as end:
        code = end.exit_code
        raise
    except click.ClickException as error:
        code = error.exit_code
        lines.record("said", "error", message=error.format_message())
        raise SystemExit(code) from None
    except Exception as error:
        if isinstance(error, OSError) and error.errno == errno.EPIPE:
            raise
        code = ExitCode.INTERNAL
        lines.record("said", "error", message=fault_in_words(error))
        if os.environ.get("NEWBORN_ADAPTER_TRACEBACK"):
            raise
        raise SystemExit(code) from None
    finally:
        lines.end(int(code), begun)
        sys.stderr = before


def fault_in_words(error: Exception) -> str:
    """An internal fault in two lines, with no data of patients in it."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    place = f"{trace.tb_frame.f_code.co_filename}:{trace.tb_lineno}" if trace else "unknown place"
    return (
        f"internal fault: {type(error).__name__} at {place}\n"
        "This is a fault of the program, not of your data. Set NEWBORN_ADAPTER_TRACEBACK=1 to see all of it."
    )
