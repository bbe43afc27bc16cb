"""Where the project is, and what running a command gives."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
Run = Callable[..., "subprocess.CompletedProcess[bytes]"]
