"""The command line as tests run it: here, which is quick, or as a process of its own where that is the point."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner

from adapter.cli import cli

ROOT = Path(__file__).resolve().parents[1]
START = [sys.executable, "-c", "from adapter.cli import main; main()"]

Done = subprocess.CompletedProcess[bytes]
Run = Callable[..., Done]


def run_here(*arguments: object, folder: Path | None = None, stdin: bytes = b"", **environment: str) -> Done:
    """Run ``newborn-adapter`` in this process; a fault of the program is raised."""
    with contextlib.chdir(folder or Path.cwd()):
        done = CliRunner().invoke(
            cli, [*map(str, arguments)], input=stdin, env=environment, prog_name="newborn-adapter"
        )
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return Done(arguments, done.exit_code, done.stdout_bytes, done.stderr_bytes)


def run_process(*arguments: object, folder: Path | None = None, stdin: bytes = b"", **environment: str) -> Done:
    """Run ``newborn-adapter`` in a process of its own."""
    return subprocess.run(
        [*START, *map(str, arguments)],
        input=stdin,
        capture_output=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        timeout=120,
        check=False,
    )
