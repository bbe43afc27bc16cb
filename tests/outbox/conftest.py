"""Outboxes, and servers to send to: the sandbox and one that nobody here wrote, each in a process of its own."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "transport"))

from independent_server import serving
from servers import sandbox

from adapter.transport import FhirClient, Outbox


@pytest.fixture(scope="session", params=["sandbox", "independent"])
def server(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp(request.param)
    with sandbox(folder) if request.param == "sandbox" else serving(folder) as url:
        yield url


@pytest.fixture(scope="session")
def sandbox_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with sandbox(tmp_path_factory.mktemp("sandbox-alone")) as url:
        yield url


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    with Outbox(tmp_path / "outbox.db") as made:
        yield made


@pytest.fixture
def client(server: str) -> Iterator[FhirClient]:
    with FhirClient(server) as made:
        yield made
