"""Numbers for Prometheus, in its text format (version 0.0.4), on the loopback address only."""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from adapter.send.failures import Cause

_PREFIX = "newborn_adapter_watch_"

_CAUSES = tuple(Cause)

# Name, kind, what it says, and its label with the values it can have, where it has one.
_ALL: tuple[tuple[str, str, str, str, tuple[str, ...]], ...] = (
    ("files_total", "counter", "Files that ended, by where they ended.", "result", ("done", "failed")),
    (
        "exams_total",
        "counter",
        "Exams that ended, by how.",
        "result",
        ("sent", "sent-before", "superseded", "refused", "given-up", "held"),
    ),
    (
        "files_refused_total",
        "counter",
        "Files that were not opened, by why.",
        "rule",
        ("too-large", "ended-reading"),
    ),
    ("attempts_failed_total", "counter", "Attempts to send an exam that will be repeated.", "", ()),
    ("failures_total", "counter", "Attempts that failed, by where the trouble lies.", "cause", _CAUSES),
    ("server_pauses_total", "counter", "Times the server was left in peace for a while.", "", ()),
    ("faults_total", "counter", "Times the folder or the outbox could not be used.", "", ()),
    ("held", "gauge", "1 while nothing is sent, for this cause.", "cause", _CAUSES),
    ("files_dropped", "gauge", "Files in the drop folder that are not taken yet.", "", ()),
    ("files_taken", "gauge", "Files being worked on.", "", ()),
    ("outbox_open", "gauge", "Exams in the outbox that are waiting or being sent.", "", ()),
    (
        "next_due_timestamp_seconds",
        "gauge",
        "When the first of the waiting exams is sent next, in seconds since 1970; 0 where none waits.",
        "",
        (),
    ),
    (
        "last_sent_timestamp_seconds",
        "gauge",
        "When an exam last arrived, in seconds since 1970; 0 for never.",
        "",
        (),
    ),
    ("last_look_timestamp_seconds", "gauge", "When the folder was last looked through.", "", ()),
)


class Metrics:
    """The numbers of one process, from any thread; counters begin at 0 with it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._values: dict[tuple[str, str], float] = defaultdict(float)

    def add(self, name: str, label: str = "", by: float = 1) -> None:
        """Count; ``label`` is the value of its label."""
        with self._lock:
            self._values[name, label] += by

    def set(self, name: str, value: float) -> None:
        """Set a gauge."""
        with self._lock:
            self._values[name, ""] = value

    def hold(self, cause: str) -> None:
        """Nothing is sent for this cause; an empty one: sending goes on."""
        with self._lock:
            for one in _CAUSES:
                self._values["held", one] = one == cause

    def text(self) -> str:
        """All of them, those that are still 0 too."""
        lines = []
        with self._lock:
            for name, kind, what, label, values in _ALL:
                lines += [f"# HELP {_PREFIX}{name} {what}", f"# TYPE {_PREFIX}{name} {kind}"]
                for value in values or ("",):
                    labelled = f'{{{label}="{value}"}}' if value else ""
                    lines.append(f"{_PREFIX}{name}{labelled} {self._values[name, value]:.15g}")
        return "\n".join(lines) + "\n"


@contextmanager
def served(metrics: Metrics, port: int) -> Iterator[int]:
    """Answer ``GET /metrics`` on 127.0.0.1 while the block runs; the port, also where 0 asked for any free one.

    Raises ``OSError`` where the port cannot be used.
    """

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            found = self.path.partition("?")[0] == "/metrics"
            content = metrics.text().encode() if found else b"see /metrics\n"
            self.send_response(200 if found else 404)
            self.send_header("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: object) -> None:
            """Nothing: being read is no event."""

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, name="metrics", daemon=True)
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
