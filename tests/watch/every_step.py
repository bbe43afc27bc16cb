"""kill -9 before and after every step of the watch: is each exam on the server exactly once, each file in its place?

    python tests/watch/every_step.py [--sample N]

A step is a call or a return of a function of ``adapter.send``, or of a built-in function that one of them
calls: a rename, a write to the disk, a statement of the outbox, a byte to the server. A first run notes them all
in the order in which they first occur. Then, for each, a process with a new folder, outbox and exam kills itself
there, and another one goes on in the same folder to the end. The server, a process of its own, sees all of them.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from watching import CAPTURES, assert_exactly_once, names, read_exams  # noqa: E402

from adapter.catalogue import Catalogue, load_catalogue  # noqa: E402
from adapter.send import FhirClient, FhirTransport, Outbox, Retry  # noqa: E402
from adapter.send.watch import DropFolder, Intake, Journal, Pace, Watcher  # noqa: E402

Step = str
_INSIDE = f"{ROOT}/adapter/send/"


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sample", type=int, help="only so many steps, drawn with a fixed seed")
    sample = parser.parse_args().sample
    catalogue = load_catalogue()
    with tempfile.TemporaryDirectory() as name, server(Path(name)) as url:
        folder = Path(name)
        steps = _all_steps(folder, url, catalogue)
        chosen = sorted(random.Random(5).sample(range(len(steps)), min(sample or len(steps), len(steps))))
        reached = sum(_killed_at(folder, url, catalogue, number, steps[number]) for number in chosen)
        captures = sorted(folder.glob("*/drop/done/exam.json"))
        assert len(captures) == len(chosen) + 1
        assert_exactly_once(url, read_exams(*captures, catalogue=catalogue), catalogue)
    print(
        f"{len(steps)} steps, {len(chosen)} tried, killed at {reached} of them: none lost, none doubled, none wrong"
    )
    return 0 if reached >= 0.9 * len(chosen) else 1


@contextmanager
def server(folder: Path) -> Iterator[str]:
    """The sandbox as a process; its base URL."""
    command = [sys.executable, "-c", "from adapter.cli.sandbox import sandbox; sandbox()", "--port", "0"]
    with subprocess.Popen(
        [*command, "--db", str(folder / "fhir.db")], stdout=subprocess.PIPE, text=True, cwd=ROOT
    ) as process:
        try:
            assert process.stdout is not None
            found = re.search(r"http://\S+", process.stdout.readline())
            assert found
            yield found[0]
        finally:
            process.kill()


def _all_steps(folder: Path, url: str, catalogue: Catalogue) -> list[Step]:
    place = _prepare(folder, "first")
    noted: dict[Step, None] = {}

    def note(step: Step) -> None:
        noted.setdefault(step)

    def run() -> None:
        _watch(place, url, catalogue, note)
        (place / "steps.json").write_text(json.dumps(list(noted)))

    assert _in_a_process(run) == 0
    steps: list[Step] = json.loads((place / "steps.json").read_text())
    assert len(steps) > 100
    return steps


def _killed_at(folder: Path, url: str, catalogue: Catalogue, number: int, step: Step) -> bool:
    """Whether the step was reached, after a process was killed there and another went on."""
    place = _prepare(folder, f"step-{number}")

    def kill(one: Step) -> None:
        if one == step:
            os.kill(os.getpid(), signal.SIGKILL)

    status = _in_a_process(lambda: _watch(place, url, catalogue, kill))
    assert status in (0, -signal.SIGKILL), step
    assert _in_a_process(lambda: _watch(place, url, catalogue, None)) == 0, step
    drop = place / "drop"
    found = {part: names(drop / part) for part in ("", "taken", "done", "failed")}
    assert found == {"": set(), "taken": set(), "done": {"exam.json"}, "failed": set()}, (step, found)
    left = {p.name for p in (drop / "done").iterdir() if not p.name.startswith(".")}
    assert left == {"exam.json", "exam.json.report.txt", "exam.json.report.json"}, (step, left)
    return status != 0


def _prepare(folder: Path, name: str) -> Path:
    """A folder with a drop folder in it, and in that one exam, of a newborn of its own."""
    drop = folder / name / "drop"
    drop.mkdir(parents=True)
    record = json.loads((CAPTURES / "d08a-first-twin-girl.json").read_text())
    record["exam"]["id"] = name
    record["exam"]["encounter"]["value"] = f"E-{name}"
    record["newborn"]["identifiers"][0]["value"] = f"N-{name}"
    del record["findings"][6:]
    (drop / "exam.json").write_text(json.dumps(record))
    return drop.parent


def _watch(place: Path, url: str, catalogue: Catalogue, at: Callable[[Step], None] | None) -> None:
    """Watch until all is done, telling each step to ``at``."""
    drop = place / "drop"
    if at is not None:
        hook = _hook(at)
        threading.setprofile(hook)
        sys.setprofile(hook)
    with (
        FhirClient(url) as client,
        Outbox(place / "outbox.db") as outbox,
        DropFolder(drop, settle=0) as folder,
        (place / "log").open("a") as log,
    ):
        pace = Pace(look=0.02, rest=0.1, again=0.1)
        transport = FhirTransport(client)
        intake = Intake(outbox, transport, catalogue)
        watcher = Watcher(folder, intake, outbox, transport, Journal(log), retry=Retry(first=0.02), pace=pace)

        def end() -> None:
            limit = time.monotonic() + 60
            while (names(drop) or names(drop / "taken")) and time.monotonic() < limit:
                time.sleep(0.01)
            watcher.stop()

        threading.Thread(target=end).start()
        watcher.run()


def _hook(at: Callable[[Step], None]) -> Callable[[FrameType, str, Any], None]:
    def hook(frame: FrameType, event: str, argument: Any) -> None:
        code = frame.f_code
        if code.co_filename.startswith(_INSIDE):
            inner = getattr(argument, "__qualname__", "") if event.startswith("c_") else ""
            at(f"{code.co_filename.removeprefix(_INSIDE)} {code.co_qualname} {event} {inner}")

    return hook


def _in_a_process(work: Callable[[], None]) -> int:
    """Do the work in a copy of this process; its exit code, or minus the signal that ended it."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException as error:
            print(repr(error), file=sys.stderr)
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


if __name__ == "__main__":
    sys.exit(main())
