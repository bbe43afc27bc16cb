"""What waits in an outbox, sent: each event a line at the terminal, ended by the usual signals."""

from __future__ import annotations

import signal
import sys
from types import FrameType

import click

from adapter.cli.log import note, record, show
from adapter.cli.reporting import said, when
from adapter.problems import ExitCode, Problem
from adapter.send import Event, Happening, Outbox, Sender, SendSummary
from adapter.send.target import Target
from adapter.send.transport import Transport


def driven(outbox: Outbox, transport: Transport, target: Target, parallel: int) -> SendSummary:
    """Send until nothing is left to do; why it ended before is said. Ctrl-C ends the program with exit code 3."""
    sender = Sender(outbox, transport, retry=target.retries(), parallel=parallel, on_event=_Teller().say)
    before = signal.signal(signal.SIGTERM, lambda number, frame: _stop(sender, number, frame))
    try:
        summary = sender.run()
    except KeyboardInterrupt:
        note("Stopped; what is not sent stays in the outbox.")
        sys.exit(ExitCode.SERVER)
    finally:
        signal.signal(signal.SIGTERM, before)
    if summary.cause is not None:
        note(f"Nothing more is sent for now; {said(summary.cause, summary.stopped)}")
    return summary


def say_due(summary: SendSummary) -> None:
    """When the first of those that are left is due."""
    if summary.due is not None:
        click.echo(f"The first of those that are left is due {when(summary.due)}; the same command sends it then.")


class _Teller:
    """Says each event; the same reasons of an exam once, and once for how long a run waits for its receiver."""

    def __init__(self) -> None:
        self._told: dict[str, tuple[Problem, ...]] = {}
        self._waits = False

    def say(self, event: Event) -> None:
        """A line, and the reasons if they are new."""
        words = event.happening.value
        if event.happening is Happening.SENT:
            words += f" ({event.receipt.words})" if event.receipt.words else ""
        elif event.cause is not None:
            words += f" ({event.cause.value})"
        if event.pause:
            words += f"; retrying in {event.pause:.1f} s"
        click.echo(f"{event.exam}: {words}")
        cause = event.cause.value if event.cause else None
        record("exam", exam=event.exam, state=event.happening.value, cause=cause, pause=event.pause or None)
        if self._told.get(event.exam) != event.problems:
            self._told[event.exam] = event.problems
            for problem in event.problems:
                show(problem, "  ")
        if event.patience and not self._waits:
            self._waits = True
            first = event.problems[0].what if event.problems else "the receiver is away"
            left = f"tried again for up to {event.patience:g} s without success; what is not sent stays in the outbox"
            note(f"{first}; {left}")


def _stop(sender: Sender, number: int, frame: FrameType | None) -> None:
    """What is being sent ends; nothing new begins."""
    sender.stop()
