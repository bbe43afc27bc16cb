"""The strategies for resources are shared with the tests of the element table."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1] / "fhir_xml"))
