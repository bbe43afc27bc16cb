"""A secret in a file or an environment variable, read when it is needed."""

from __future__ import annotations

import os
from pathlib import Path

from adapter.problems import AdapterError, ExitCode


class NoSecret(AdapterError, ValueError):
    """The file or variable is not there or is empty; the message names it, never what is in it."""

    exit_code = ExitCode.USAGE


class Secret:
    """``what`` names it in messages. Read anew each time, so that a changed file counts at once."""

    def __init__(self, file: Path | None, variable: str | None, what: str) -> None:
        self._file, self._variable, self._what = file, variable, what

    def __repr__(self) -> str:
        return f"Secret({self._what})"

    def read(self) -> str:
        """The secret without blanks around it. Raises :class:`NoSecret`."""
        if self._file is not None:
            try:
                found = self._file.read_text("utf-8").strip()
            except (OSError, UnicodeDecodeError):
                raise NoSecret(f"the {self._what} file {self._file} cannot be read") from None
        else:
            found = os.environ.get(self._variable or "", "").strip()
        if not found:
            place = f"file {self._file}" if self._file is not None else f"environment variable {self._variable}"
            raise NoSecret(f"there is no {self._what} in the {place}")
        return found
