"""Real servers on real sockets; all data are invented."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from adapter.sandbox import Store, running

# The loader of the official FHIR R4 package (official_package) is kept with the tests of adapter.fhir.
sys.path.append(str(Path(__file__).parents[1] / "fhir_xml"))


@pytest.fixture
def store() -> Iterator[Store]:
    with Store() as made:
        yield made


@pytest.fixture
def base(store: Store) -> Iterator[str]:
    with running(store) as url:
        yield url


@pytest.fixture
def http(base: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"{base}/", trust_env=False) as client:
        yield client


@pytest.fixture(scope="module")
def shared() -> Iterator[httpx.Client]:
    """One server for all tests of a module that change nothing, or only what no other test looks at."""
    with (
        Store() as store,
        running(store) as url,
        httpx.Client(base_url=f"{url}/", trust_env=False) as client,
    ):
        yield client
