"""MLLP over mutual TLS to a listener in another language: ``python -m tests.mllp.in_javascript``.

It is node-hl7-server 2.5.0 (npm, MIT; Node 20), fetched once into ``.cache/``, which parses every message before it
accepts it. With each message it handles and acknowledges again those before it on the same connection, which the
sender must not take for its own. The tests' own listener (hl7, PyPI) is another implementation again.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parent))

from listening import FAST, amended
from test_mllp_from_the_command_line import certificate

from adapter.catalogue import load_catalogue
from adapter.exam import Exam, Status
from adapter.read import read
from adapter.read.oru import from_oru
from adapter.send import Outbox, Sender, SendSummary
from adapter.send.target import Target
from tests.fetched import CACHE, fetching

ROOT = Path(__file__).resolve().parents[2]
FOLDER = CACHE / "node-hl7-server-2.5.0"
CATALOGUE = load_catalogue()


def main() -> int:
    captures = sorted((ROOT / "examples" / "captures").glob("*.json"))
    firsts = [
        one.exam for path in captures for one in read(path, CATALOGUE) if one.exam and one.exam.details.amends is None
    ]
    versions = [
        amended(one, status, drop=1)
        for one, status in zip(firsts[:2], [Status.AMENDED, Status.ENTERED_IN_ERROR], strict=True)
    ]
    with tempfile.TemporaryDirectory() as name:
        folder, there, log = Path(name), _port(), Path(name) / "received.jsonl"
        ours, foreign = certificate(folder), certificate(_made(folder / "foreign"))
        script = [_program("node"), str(Path(__file__).with_name("listener.mjs")), str(_packages()), str(there)]
        with subprocess.Popen([*script, str(ours), str(log)], stdout=subprocess.PIPE, text=True) as process:
            try:
                assert process.stdout is not None
                assert process.stdout.readline() == "ready\n"
                url = f"mllps://127.0.0.1:{there}"
                for tls in ({"ca_bundle": ours}, {"ca_bundle": foreign, "client_cert": ours}):
                    summary = _sent(folder / "refused.db", url, tls, firsts[:1])
                    print(f"with {', '.join(tls)} alone or wrong: {summary.left} waits, {summary.cause}")
                    assert (summary.sent, summary.left, str(summary.cause)) == (0, 1, "certificate")
                exams = [*firsts, *versions]
                summary = _sent(folder / "outbox.db", url, {"ca_bundle": ours, "client_cert": ours}, exams)
                assert summary == SendSummary(sent=len(exams)), summary
            finally:
                process.kill()
        messages = [json.loads(line) for line in log.read_text().splitlines()]
    found = {one.details.id: one for message in messages for one in from_oru(message.encode(), CATALOGUE)}
    for exam in exams:
        if exam.details.status is not Status.ENTERED_IN_ERROR:
            assert sorted(map(repr, found[exam.details.id].findings)) == sorted(map(repr, exam.findings)), (
                exam.details.id
            )
    ids = {message.split("|", 10)[9] for message in messages}
    print(f"{len(ids)} messages, handled {len(messages)} times; {len(found)} versions read back as they were sent")
    return 0


def _sent(path: Path, url: str, tls: dict[str, Path], exams: list[Exam]) -> SendSummary:
    target = Target.model_validate({"url": url, "tls": tls})
    with Outbox(path) as outbox, target.transport() as transport:
        for exam in exams:
            earlier = outbox.other_versions(transport.target, exam.details.root, exam.details.id)
            message = transport.prepare(exam, CATALOGUE, earlier).message
            assert message is not None
            outbox.put(transport.target, message)
        return Sender(outbox, transport, retry=FAST).run()


def _packages() -> Path:
    with fetching(FOLDER):
        if not (FOLDER / "node_modules").exists():
            command = [_program("npm"), "install", "--silent", "--ignore-scripts", "--no-audit", "--no-fund"]
            subprocess.run([*command, "--prefix", str(FOLDER), "node-hl7-server@2.5.0"], check=True)
    return FOLDER


def _program(name: str) -> str:
    found = shutil.which(name)
    assert found, f"{name} is needed (Node 20)"
    return found


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def _port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


if __name__ == "__main__":
    sys.exit(main())
