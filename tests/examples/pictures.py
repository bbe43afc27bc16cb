"""The pictures of ``examples/guides/pictures/``, of what the program shows: ``python -m tests.examples.pictures``.

Needs the program ``chromium`` and ``playwright`` of the extra ``browser``. Everything in them is invented.
"""

from __future__ import annotations

import sys
import tempfile
from html import escape
from pathlib import Path

from click.testing import CliRunner
from playwright.sync_api import Playwright, sync_playwright

sys.path[:0] = [str(Path(__file__).parents[1] / "page"), str(Path(__file__).parents[1])]

from driver import Hand, opened, to_page, window  # noqa: E402
from whole_exam import identity  # noqa: E402

from adapter.cli import cli  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "examples" / "guides" / "pictures"
EXAM = "examples/captures/d05-boy-weak-femorals-failed-screen.json"
MOST_BYTES = 150_000
TERMINAL = """<!doctype html><meta charset="utf-8"><style>
body {{ margin: 0; background: #14191f; }}
pre {{ margin: 0; padding: 14px 18px; color: #e6e6e6; font: 13px/1.35 monospace; white-space: pre-wrap; }}
b {{ color: #ffffff; }}</style><pre><b>$ newborn-adapter {command}</b>
{output}</pre>"""


def said(*arguments: str) -> bytes:
    """What a command writes."""
    done = CliRunner().invoke(cli, arguments)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.stdout_bytes


def page(play: Playwright, folder: Path) -> bytes:
    """The bedside page on a phone, two findings recorded."""
    file = folder / "page.html"
    file.write_bytes(said("form", "--page"))
    with opened(play, file, width=390, height=760) as (shown, _):
        hand = Hand(shown)
        identity(hand)
        to_page(shown, "Heart and circulation")
        hand.answer("murmur", "None heard")
        hand.card("murmur").scroll_into_view_if_needed()
        return shown.screenshot()


def drawn(play: Playwright, file: Path, width: int, height: int) -> bytes:
    """The upper part of a file of HTML."""
    with window(play, width=width, height=height, device_scale_factor=1, has_touch=False) as (shown, _):
        shown.goto(file.as_uri())
        return shown.screenshot()


def report(play: Playwright, folder: Path) -> bytes:
    """The upper half of a report."""
    file = folder / "report.html"
    file.write_bytes(said("convert", EXAM, "--to", "report"))
    return drawn(play, file, 820, 760)


def terminal(play: Playwright, folder: Path) -> bytes:
    """What ``check`` says, its first lines."""
    output = said("check", EXAM).decode().splitlines()[:30]
    text = TERMINAL.format(command="check exam.json", output=escape("\n".join(output)).replace(EXAM, "exam.json"))
    (folder / "terminal.html").write_text(text, encoding="utf-8")
    return drawn(play, folder / "terminal.html", 980, 620)


def main() -> None:
    """All of them, each whole or not at all."""
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as play, tempfile.TemporaryDirectory() as place:
        for name, draw in (("page", page), ("report", report), ("terminal", terminal)):
            picture = draw(play, Path(place))
            assert len(picture) < MOST_BYTES, f"{name} has {len(picture)} bytes"
            (PICTURES / f"{name}.png").write_bytes(picture)
            print(f"{name}.png: {len(picture) // 1024} kB")


if __name__ == "__main__":
    main()
