"""The root of every error of ours, and what the command line answers with."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from adapter.problems import Problem


class ExitCode(IntEnum):
    """What the command line answers with; the README documents them."""

    WELL = 0
    PROBLEMS = 1
    USAGE = 2
    SERVER = 3
    INTERNAL = 4
    MACHINE = 5
    INTERRUPTED = 130


class AdapterError(Exception):
    """The root of every error of ours: what cannot be read, written, sent, or used.

    ``problems`` say what is wrong, each with its place and what would be right, where the error is of data; an error
    of anything else has its words alone. ``exit_code`` is what the command line answers with.
    """

    exit_code: ClassVar[ExitCode] = ExitCode.PROBLEMS

    def __init__(self, words: str = "", problems: Iterable[Problem] = ()) -> None:
        self.problems = list(problems)
        super().__init__(words or "\n".join(str(problem) for problem in self.problems))


class NotInstalled(AdapterError, RuntimeError):
    """The libraries that a form needs are not installed; the message says how to install them."""

    exit_code = ExitCode.USAGE
