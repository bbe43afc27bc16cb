"""Outboxes, and servers to send to: the sandbox and one that nobody here wrote, each in a process of its own.

``TEST_SERVERS=hapi`` (or ``sandbox,independent,hapi``) in the environment chooses others. What is a long table runs
against a sandbox in this process, or the one server that is chosen.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "send"))

import hapi_server
import helios_server
import independent_server
import medplum_server
from servers import sandbox

from adapter.sandbox import Store, running
from adapter.send import FhirClient, Outbox

SERVERS = {
    "sandbox": sandbox,
    "independent": independent_server.serving,
    "hapi": hapi_server.serving,
    "medplum": medplum_server.serving,
    "helios": helios_server.serving,
}


@pytest.fixture(scope="session", params=os.environ.get("TEST_SERVERS", "sandbox,independent").split(","))
def server(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp(request.param)
    with SERVERS[request.param](folder) as url:
        yield url


@pytest.fixture(scope="session")
def sandbox_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with sandbox(tmp_path_factory.mktemp("sandbox-alone")) as url:
        yield url


@pytest.fixture(scope="session")
def one_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    chosen = SERVERS.get(os.environ.get("TEST_SERVERS", ""))
    if chosen is not None:
        with chosen(tmp_path_factory.mktemp("chosen")) as url:
            yield url
    else:
        with Store(None) as store, running(store) as url:
            yield url


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    with Outbox(tmp_path / "outbox.db") as made:
        yield made


@pytest.fixture
def client(server: str) -> Iterator[FhirClient]:
    with FhirClient(server) as made:
        yield made
