"""The container example: what it starts are commands of this program, and what it copies is there."""

from __future__ import annotations

import re
import runpy
import time
from pathlib import Path

import click
import pytest
import yaml

from adapter.cli import cli
from adapter.send.watch import Metrics, served

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "examples" / "container"
healthy = runpy.run_path(str(FOLDER / "healthy.py"))["healthy"]
SERVICES = yaml.safe_load((FOLDER / "compose.yaml").read_text("utf-8"))["services"]


def test_every_service_runs_a_command_with_options_that_it_has() -> None:
    for name, service in SERVICES.items():
        command = cli.get_command(click.Context(cli), service["command"][0])
        assert command is not None, name
        known = {option for parameter in command.params for option in parameter.opts}
        given = {part for part in service["command"] if part.startswith("--")}
        assert given <= known, (name, given - known)


def test_what_is_filed_is_what_is_watched_on_volumes_that_the_image_has() -> None:
    image = (FOLDER / "Containerfile").read_text("utf-8")
    mounts = {name: dict(volume.split(":") for volume in service["volumes"]) for name, service in SERVICES.items()}
    assert mounts["page"]["drop"] == mounts["watch"]["drop"]
    for where in (path for volumes in mounts.values() for path in volumes.values()):
        assert re.search(rf"install -d -m 700 -o ward .*{where}\b", image), where


def test_every_service_says_whether_it_is_well() -> None:
    checks = {name: service["healthcheck"]["test"] for name, service in SERVICES.items()}
    assert {Path(check[2]).name for check in checks.values()} == {"healthy.py"}
    for check in checks.values():
        assert (ROOT / Path(check[2]).relative_to("/opt/newborn-exam-adapter")).is_file()
    metrics = Metrics()
    with served(metrics, 0) as port:
        url = f"http://127.0.0.1:{port}/metrics"
        assert not healthy(url, 120)
        metrics.set("last_look_timestamp_seconds", time.time())
        assert healthy(url, 120)
        metrics.set("last_look_timestamp_seconds", time.time() - 300)
        assert not healthy(url, 120)
    with pytest.raises(OSError):
        healthy(url, 120)


def test_the_image_copies_what_the_package_is_made_of() -> None:
    copied = re.findall(r"^COPY (.+) \S+$", (FOLDER / "Containerfile").read_text("utf-8"), re.MULTILINE)
    names = {name for line in copied for name in line.split()}
    assert names == {"pyproject.toml", "README.md", "adapter", "mappings", "examples"}
    assert all((ROOT / name).exists() for name in names)
