"""The web page in a real browser: ``python tests/sandbox/in_a_browser.py [PICTURE.png]``.

Needs the programs ``chromium`` and ``chromedriver`` (in Debian the packages chromium and chromium-driver); they are
driven over the W3C's WebDriver protocol (W3C Recommendation WebDriver, 2018), which is HTTP and JSON.
"""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

from ward import NASTY, examples, of_another_maker, ward  # noqa: E402

from adapter.catalogue import load_catalogue  # noqa: E402

_SWITCHES = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--window-size=1200,900"),
)


class Browser:
    """One window, by the commands of WebDriver."""

    def __init__(self, http: httpx.Client, session: str) -> None:
        self._http, self._path = http, f"/session/{session}"

    def command(self, name: str, **content: Any) -> Any:
        """A command that is a POST; what it answers."""
        answer = self._http.post(f"{self._path}/{name}", json=content)
        assert answer.status_code == 200, answer.text
        return answer.json()["value"]

    def go(self, url: str) -> None:
        """Open an address."""
        self.command("url", url=url)

    def click(self, text: str) -> None:
        """Click a link by its text."""
        [element] = self.command("element", using="link text", value=text).values()
        self.command(f"element/{element}/click")

    def run(self, script: str) -> Any:
        """What a function body gives back; WebDriver's own scripts are not held back by a page's policy."""
        return self.command("execute/sync", script=script, args=[])

    def resize(self, width: int, height: int) -> None:
        """The window's size."""
        self.command("window/rect", width=width, height=height)

    def complaints(self) -> list[str]:
        """What the console holds: refused scripts, what could not be loaded (an icon is not offered)."""
        return [e["message"] for e in self.command("se/log", type="browser") if "favicon" not in e["message"]]

    def picture(self, path: Path) -> None:
        """A screenshot."""
        path.write_bytes(base64.b64decode(self._http.get(f"{self._path}/screenshot").json()["value"]))


@contextmanager
def browser() -> Iterator[Browser]:
    """A new browser with an empty profile."""
    with (
        tempfile.TemporaryDirectory() as profile,
        subprocess.Popen(["chromedriver", "--port=0"], stdout=subprocess.PIPE, text=True) as driver,
    ):
        try:
            assert driver.stdout is not None
            found = next(m for line in driver.stdout if (m := re.search(r"successfully on port (\d+)", line)))
            with httpx.Client(base_url=f"http://127.0.0.1:{found[1]}", trust_env=False, timeout=60) as http:
                options = {"binary": shutil.which("chromium"), "args": [*_SWITCHES, f"--user-data-dir={profile}"]}
                wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
                answer = http.post("/session", json={"capabilities": {"alwaysMatch": wanted}})
                assert answer.status_code == 200, answer.text
                session = answer.json()["value"]["sessionId"]
                try:
                    yield Browser(http, session)
                finally:
                    http.delete(f"/session/{session}")
        finally:
            driver.terminate()


def look(window: Browser, origin: str, picture: Path | None) -> None:
    """Everything that only a browser can tell."""
    window.go(f"{origin}/")
    assert window.run("return getComputedStyle(document.querySelector('.banner')).backgroundImage") != "none"
    window.click("Boy Testfield-Elm")
    assert window.run("return document.title") == "TEST: Boy Testfield-Elm"
    # What must be told is above the first finding, and seen without scrolling.
    tell, table = (_box(window, f"document.querySelector('{what}')") for what in (".tell", "table"))
    assert tell["bottom"] <= table["top"]
    assert tell["bottom"] <= window.run("return innerHeight")
    # Left and right stand beside each other, left to the left.
    row = "[...document.querySelectorAll('tr')].find(r => r.cells[0].innerText == 'Femoral pulse')"
    left, right = (_box(window, f"{row}.cells[{n}]") for n in (1, 2))
    assert left["top"] == right["top"]
    assert left["right"] <= right["left"]
    assert abs(left["width"] - right["width"]) < 2
    if picture:
        window.picture(picture)
    # What was not examined looks unlike every value.
    style = "const s = getComputedStyle(document.querySelector('{}')); return [s.fontStyle, s.borderTopStyle]"
    assert window.run(style.format(".absent")) == ["italic", "dashed"]
    assert window.run(style.format(".expected .value")) == ["normal", "none"]
    # On a phone nothing hangs over the edge.
    window.resize(500, 900)
    assert window.run("return document.documentElement.scrollWidth <= innerWidth")
    window.resize(1200, 900)
    # Markup in resources is text; no script ran, none is there, nothing came from elsewhere.
    window.go(f"{origin}/newborns/foreign")
    assert window.run("return document.querySelector('h1').textContent") == NASTY
    assert window.run("return document.title") == f"TEST: {NASTY}"
    assert window.run("return document.scripts.length + document.images.length") == 0
    loaded = window.run("return performance.getEntriesByType('resource').map(e => e.name)")
    assert [name for name in loaded if "favicon" not in name] == [f"{origin}/style.css"]
    assert window.complaints() == []
    # And should markup get in, the policy stops it.
    window.run(
        "const s = document.createElement('script'); s.textContent = 'document.title = 1'; document.body.append(s);"
        "const i = new Image(); i.src = 'https://example.org/x.png'; document.body.append(i)"
    )
    assert window.run("return document.title") == f"TEST: {NASTY}"
    said = " ".join(window.complaints())
    assert said.count("Content Security Policy") >= 2, said


def _box(window: Browser, element: str) -> dict[str, float]:
    found: dict[str, float] = window.run(f"return {element}.getBoundingClientRect().toJSON()")
    return found


def main() -> int:
    """Exit code 0 when all is as it should be, 2 where the programs are missing."""
    missing = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    if missing:
        print(f"not looked at: {' and '.join(missing)} not installed")
        return 2
    catalogue = load_catalogue()
    picture = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    with ward(examples(catalogue, "d05", "d09"), catalogue, *of_another_maker()) as origin, browser() as window:
        look(window, origin, picture)
    print("The page was looked at in a browser: all as it should be.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
