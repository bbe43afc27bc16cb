"""The page as ``form --serve`` gives it: the record goes into the drop folder, the answer comes back on screen."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from driver import DRIVEN, MORNING, Hand, downloaded, new_exam, say_who, to_page, window
from playwright.sync_api import Page, Playwright
from servers import sandbox

from adapter.catalogue import load_catalogue
from adapter.cli.page_server import follow
from adapter.forms.page import to_page as to_html
from adapter.forms.serve import Filing, running
from adapter.read import read_captures
from adapter.send.target import target_of
from tests.watch.watching import watching

CATALOGUE = load_catalogue()


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@contextmanager
def _serving(drop: Path, port: int) -> Iterator[str]:
    arguments = ["form", "--serve", "--drop", str(drop), "--port", str(port)]
    start = f"import sys; sys.argv[1:] = {arguments!r}; from adapter.cli import main; main()"
    with subprocess.Popen([sys.executable, "-u", "-c", start], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield next(found[0] for line in process.stdout if (found := re.search(r"http://\S+", line)))
        finally:
            process.terminate()


def served(play: Playwright, file: Path, folder: Path) -> str:
    """Handed over with its answer; no answer and the same again; changed after it was filed: a correction."""
    if DRIVEN["in"] != "chromium":
        return "left out: Playwright can lose a server's answer for Chromium alone"
    drop, port = folder / "drop", _free_port()
    drop.mkdir()
    with window(play) as (page, eyes):
        hand = Hand(page)
        with _serving(drop, port) as url:
            page.clock.install(time=MORNING)
            page.goto(url)
            new_exam(page)
            # The page's clock is held at a morning of its own, and the server's is today's.
            page.locator(".faults", has_text="that of the ward computer").wait_for()
            hand.button("It is right: begin")
            to_page(page, "Heart and circulation")
            hand.tap(hand.card("femoral_pulse").get_by_role("button", name="Other answers"))
            hand.tap(hand.card("femoral_pulse").get_by_role("button", name="left: Absent"))
            hand.button("Finish")
            page.locator("#leave").check()
            # The answer is lost on its way: the record was filed, and the page cannot know.
            page.route("**/records", lambda route: (route.fetch(), route.abort()))
            hand.button("Save and send")
            page.get_by_text("No answer: the record is kept here").wait_for()
            page.unroute("**/records")
            [filed] = drop.glob("*.json")
            first = json.loads(filed.read_bytes())
            to_page(page, "General appearance and behaviour")
            hand.answer("cry", "Strong")
            hand.button("Finish")
            page.locator("#leave").check()
            hand.button("Save and send")
            hand.button("Make this a correction of the one filed …")
            page.locator("#why").fill("The cry was heard after the first was handed over")
            page.locator("#leave").check()
            hand.button("Save and send")
            page.get_by_text("The adapter's list, which counts").wait_for()
            shown = page.locator(".answer-of-adapter").inner_text()
            assert "Femoral pulse, left: Absent" in shown
            assert page.locator(".saved").inner_text().startswith("Sent to the ward computer")
        readings = [reading for one in sorted(drop.glob("*.json")) for reading in read_captures(one, CATALOGUE)]
        assert all(reading.accepted for reading in readings)
        exams = {reading.exam.details.id: reading.exam for reading in readings if reading.exam}
        assert len(exams) == 2
        second = next(exam for name, exam in exams.items() if name != first["exam"]["id"])
        assert second.details.amends == first["exam"]["id"]
        assert {finding.item for finding in second.findings} == {"femoral_pulse", "cry"}
        assert {asked for asked in eyes.asked if not asked.startswith(url)} == set()
        # The server is gone: the page is still there with what it keeps.
        hand.button("All exams on this device")
        new_exam(page, name="Boy After", number="100420")
        hand.button("Finish")
        page.locator("#leave").check()
        hand.button("Save and send")
        page.get_by_text("No answer: the record is kept here").wait_for()
        with downloaded(page, folder) as files:
            hand.button("Save as a file instead")
        assert files[0].name.endswith(".json")
    return (
        "an answer that was lost, a correction of what was filed, the adapter's list on screen, a server that is gone"
    )


def _followed_to(page: Page, words: str) -> None:
    """The page asks at once when it comes into sight again, so that nothing waits for its next round."""
    line = page.locator("[data-fate]").first.filter(has_text=words)
    for _ in range(100):
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        page.wait_for_timeout(200)
        if line.count():
            return
    raise AssertionError(f"never: {words}")


def followed(play: Playwright, file: Path, folder: Path) -> str:
    """Waiting, refused and why, opened again and mended, on the server and read back: by a real watch and sandbox."""
    drop, outbox = folder / "drop", folder / "outbox.db"
    drop.mkdir()
    with window(play, width=390, height=844) as (page, _):
        hand = Hand(page)
        line = page.locator("[data-fate]").first
        with sandbox(folder) as fhir, _served_here(drop, outbox, fhir) as url:
            page.goto(url)
            hand.button("Begin with a newborn")
            page.get_by_label("Kind of number (the newborn)").fill("https://hospital.example/newborns")
            say_who(page, born=f"{datetime.now(UTC) - timedelta(hours=5):%Y-%m-%dT%H:%M}")
            hand.button("Finish")
            page.locator("#leave").check()
            hand.button("Save and send")
            _followed_to(page, "waiting on the ward computer")
            with watching(drop, fhir, outbox, "--newborns", "known"):
                _followed_to(page, "NOT on the server: refused")
                said = page.locator("[data-fate-part]").inner_text()
            assert "(not-this-newborn)" in said, said
            page.get_by_role("button", name="Contents", exact=True).click()
            hand.button("All exams on this device")
            assert "NOT on the server: refused" in line.inner_text(), "on the first view as well"
            page.reload()
            page.locator("button.exam").click()
            hand.button("Open it again, to mend it and hand it over again")
            page.locator("#leave").check()
            hand.button("Save and send")
            _followed_to(page, "waiting on the ward computer")
            with watching(drop, fhir, outbox):
                _followed_to(page, "on the server, read back and the same")
    return "waiting, refused with its rule, opened again, handed over again, on the server and read back"


@contextmanager
def _served_here(drop: Path, outbox: Path, fhir: str) -> Iterator[str]:
    target = target_of({"url": fhir}, "the check")
    with (
        Filing(drop, CATALOGUE) as filing,
        follow(drop, outbox, target) as asked,
        running(to_html(CATALOGUE, served=True), filing, followed=asked) as url,
    ):
        yield url
