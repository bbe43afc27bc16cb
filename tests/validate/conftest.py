from __future__ import annotations

import sys
from pathlib import Path

import pytest

# the official package and the strategies are shared with the tests of the element table
sys.path.append(str(Path(__file__).resolve().parents[1] / "fhir_xml"))

import official_package


@pytest.fixture(scope="session")
def fhir_package() -> Path:
    """The wheel that holds the official FHIR R4 package."""
    return official_package.wheel_path()
