"""The invented exams and growth tables of other rooms serve here too."""

from __future__ import annotations

import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.extend(str(TESTS / room) for room in ("mapping", "derive"))
