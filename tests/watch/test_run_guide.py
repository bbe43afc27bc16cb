"""What examples/watch tells people to do, done: its commands as they stand there, and its unit and target file."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path

from watching import CAPTURES, assert_exactly_once, eventually, names, read_exams, watching

from adapter.catalogue import Catalogue
from adapter.cli.watch import watch
from adapter.sandbox import Store, load_faults, running
from adapter.send.target import load_target

GUIDE = Path(__file__).parents[2] / "examples" / "watch"


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port: int = taken.getsockname()[1]
        return port


def test_the_commands_of_the_guide(tmp_path: Path) -> None:
    """Run by bash as written, but for the ports; the program stands on the path as when it is installed."""
    examples = shutil.copytree(GUIDE.parent, tmp_path / "examples")
    program = tmp_path / "newborn-adapter"
    program.write_text(f"#!{sys.executable}\nfrom adapter.cli import main\nmain()\n")
    program.chmod(0o755)
    found = re.search(r"<!-- run -->\n```sh\n(.*?)```", (GUIDE / "README.md").read_text(), re.DOTALL)
    assert found
    script = found[1].replace("8099", str(free_port())).replace("9464", str(free_port()))
    root = str(GUIDE.parents[1])
    environment = {**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}", "PYTHONPATH": root}
    done = subprocess.run(
        ["bash", "-eu", "-c", script], cwd=examples, env=environment, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "exam.json: 1 of 1 exams are on the server" in done.stdout
    assert "demo-d10: NOT SENT, refused here" in done.stdout
    assert 'newborn_adapter_watch_files_total{result="done"} 1' in done.stdout
    assert '"event": "stopped"' in done.stdout


def test_the_rehearsal(drop: Path, outbox: Path, tmp_path: Path, catalogue: Catalogue) -> None:
    """With the failures of the guide's file: all exams arrive once, but the one that it says is refused for good."""
    captures = [p for p in sorted(CAPTURES.iterdir()) if p.name.startswith(("d05", "d07", "d08", "d09"))]
    for path in captures:
        shutil.copy(path, drop)
    with Store(tmp_path / "fhir.db") as store:
        with running(store, faults=load_faults(GUIDE / "rehearsal.yaml")) as url, watching(drop, url, outbox):
            eventually(lambda: len(names(drop / "done")) == 5 and len(names(drop / "failed")) == 1, 120)
        assert {name[:3] for name in names(drop / "failed")} == {"d09"}
        exams = read_exams(*(p for p in captures if not p.name.startswith("d09")), catalogue=catalogue)
        with running(store) as url:
            assert_exactly_once(url, exams, catalogue)


def test_the_unit_starts_a_command_that_exists() -> None:
    """Every option in ExecStart is one of the command's; what it may write to is what it is told to use."""
    unit = (GUIDE / "newborn-adapter-watch.service").read_text()
    found = re.search(r"ExecStart=(.*?)\n[A-Z#]", unit, re.DOTALL)
    assert found
    words = found[1].replace("\\\n", " ").split()
    known = {option for parameter in watch.params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= known
    assert words[1] == "watch"
    assert f"ReadWritePaths={words[2]}\n" in unit
    assert "StateDirectory=newborn-adapter\n" in unit
    assert words[words.index("--outbox") + 1].startswith("/var/lib/newborn-adapter/")
    assert load_target(GUIDE / "target.yaml").url.startswith("https://")
