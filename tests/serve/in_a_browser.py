"""The page's server with a real browser: ``python tests/serve/in_a_browser.py``.

Chromium shows a page of the server and one of another address on the same machine, and either tries to hand a record
over; what the browser and the server together let through is what counts (Fetch standard, CORS protocol).
"""

from __future__ import annotations

import functools
import http.server
import shutil
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from playwright.sync_api import Page, sync_playwright  # noqa: E402

from adapter.catalogue import load_catalogue  # noqa: E402
from adapter.forms.page import to_page  # noqa: E402
from adapter.forms.serve import Filing, running  # noqa: E402

RECORD = (ROOT / "examples" / "captures" / "d05-boy-weak-femorals-failed-screen.json").read_text()
STRANGER = b"<!doctype html><title>Invented</title>"
POST = """async ([url, type, mode, body]) => {
  try {
    const answer = await fetch(url, { method: 'POST', mode, headers: { 'Content-Type': type }, body });
    return answer.type === 'opaque' ? 'unread' : String(answer.status);
  } catch (error) { return 'refused'; }
}"""


class _Silent(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_: Any) -> None:
        pass


def post(page: Page, url: str, type_: str = "application/json", mode: str = "cors") -> str:
    """What a page's script gets for an answer."""
    return str(page.evaluate(POST, [url, type_, mode, RECORD]))


def main() -> None:
    """An assertion says what is wrong."""
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        drop = Path(name) / "drop"
        drop.mkdir()
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        handler = functools.partial(_Silent, directory=str(drop))
        other = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
        threading.Thread(target=other.serve_forever, daemon=True).start()
        catalogue = load_catalogue()
        with other, Filing(drop, catalogue) as filing, running(to_page(catalogue, served=True), filing) as url:
            stranger = browser.new_page()
            stranger.goto(f"http://127.0.0.1:{other.server_address[1]}/")
            assert post(stranger, f"{url}records") == "refused"
            assert post(stranger, f"{url}records", "text/plain", "no-cors") == "unread"
            from_disk = browser.new_page()
            (drop / ".page.html").write_bytes(STRANGER)
            from_disk.goto((drop / ".page.html").as_uri())
            assert post(from_disk, f"{url}records", "text/plain", "no-cors") == "unread"
            assert [path.name for path in drop.iterdir() if not path.name.startswith(".")] == []

            own = browser.new_page()
            faults: list[str] = []
            own.on("pageerror", lambda error: faults.append(str(error)))
            own.on("console", lambda message: faults.append(message.text))
            own.goto(url)
            own.wait_for_selector("#page button")
            assert faults == [], "the page runs under the policy that it is served with"
            assert post(own, "records") == "201"
            assert post(own, "records") == "200"
            assert post(own, f"http://127.0.0.1:{other.server_address[1]}/") == "refused", "the page's policy"
            assert [path.name for path in drop.iterdir() if not path.name.startswith(".")] == ["demo-d05.json"]
            other.shutdown()
        browser.close()
    print("a record is taken from the server's own page alone")


if __name__ == "__main__":
    main()
