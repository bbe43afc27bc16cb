"""A secret in a file or an environment variable, read when it is needed."""

from __future__ import annotations

import os
from pathlib import Path

from adapter.files.whole import open_to_others
from adapter.problems import AdapterError, ExitCode


class NoSecret(AdapterError, ValueError):
    """The file or variable is not there or is empty; the message names it, never what is in it."""

    exit_code = ExitCode.USAGE


def refuse_open(file: Path, what: str) -> None:
    """Raise :class:`NoSecret` for a secret that anybody could have put there."""
    if open_to_others(file) == "written":
        raise NoSecret(f"the {what} file {file} can be written by anybody; take that right away (mode 0400 or 0600)")


def is_token(text: str) -> bool:
    """Whether a text can be sent as a bearer token (RFC 6750, section 2.1)."""
    return bool(text) and text.isascii() and text.isprintable() and " " not in text


class Secret:
    """``what`` names it in messages. Read anew each time, so that a changed file counts at once."""

    def __init__(self, file: Path | None, variable: str | None, what: str) -> None:
        self._file, self._variable, self._what = file, variable, what

    def __repr__(self) -> str:
        return f"Secret({self._what})"

    def read(self) -> str:
        """The secret without blanks around it. Raises :class:`NoSecret`, for a file too that anybody may write."""
        if self._file is not None:
            refuse_open(self._file, self._what)
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
