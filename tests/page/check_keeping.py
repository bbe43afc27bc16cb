"""What was tapped is never lost: a reload in the middle, a killed browser, a device that keeps nothing."""

from __future__ import annotations

import os
import signal
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from datetime import UTC, datetime, timedelta
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

from check_entry import of, saved
from driver import CHROMIUM, DRIVEN, SWITCHES, Hand, browser, kept, new_exam, opened, to_page
from playwright.sync_api import BrowserContext, Page, Playwright, expect


def reload(play: Playwright, file: Path, folder: Path) -> str:
    """A reload in the middle: whole and half-typed entries, the unit, the place, and undo's end state are there."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "Vital signs")
        hand.card("temperature").locator("input.number").fill("36.")
        hand.card("heart_rate").locator("input.number").fill("128")
        hand.answer("heart_rhythm", "Regular")
        kept(page)
        assert page.locator("#keeping").inner_text().startswith("Kept for now")
        page.reload()
        assert page.locator("main h2").inner_text() == "Vital signs", "in the exam again, on its page"
        assert hand.card("heart_rate").locator("input.number").input_value() == "128"
        assert hand.card("temperature").locator("input.number").input_value() == "36."
        hand.card("temperature").locator("input.number").fill("36.9")
        hand.button("Axilla", within=hand.card("temperature"))
        exam = saved(page, folder)
        eyes.nothing_left()
    assert [str(of(exam, i)[0].value) for i in ("heart_rate", "heart_rhythm", "temperature")] == [
        *("128 /min", "regular", "36.9 Cel"),
    ]
    return "a rate, an answer and a half-typed number came back"


def _lasting(play: Playwright, profile: str) -> BrowserContext:
    return play.chromium.launch_persistent_context(
        profile, executable_path=CHROMIUM, args=list(SWITCHES), viewport={"width": 800, "height": 1280}, offline=True
    )


def _kill(profile: str) -> None:
    """SIGKILL to every process of the browser that has this profile: ours alone, by their ids."""
    for process in Path("/proc").glob("[0-9]*"):
        try:
            arguments = (process / "cmdline").read_bytes().split(b"\0")
            if f"--user-data-dir={profile}".encode() in arguments:
                os.kill(int(process.name), signal.SIGKILL)
        except (FileNotFoundError, ProcessLookupError, PermissionError):
            continue  # gone already, or not ours


def _said_kept(page: Page) -> None:
    page.locator("#keeping.kept").wait_for(state="attached")


def _after(milliseconds: int) -> Callable[[Page], None]:
    def wait(page: Page) -> None:
        time.sleep(milliseconds / 1000)

    return wait


_MOMENTS = {"when it says kept": _said_kept, "at once": _after(0), "50 ms": _after(50), "500 ms": _after(500)}


def killed(play: Playwright, file: Path, folder: Path) -> str:
    """SIGKILL right after a tap. What the page has said is kept must be there; how much of the rest is, is told."""
    if DRIVEN["in"] != "chromium":
        return "left out: profiles that last are Chromium's here"
    came_back = {}
    answers = ("Strong", "Weak", "High-pitched", "Hoarse")
    # the system's temporary folder, so that the profile's path is short enough for the browser's socket
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile, ExitStack() as last:
        context = _lasting(play, profile)
        page = context.pages[0]
        page.goto(file.as_uri())
        new_exam(page, born=f"{datetime.now(UTC) - timedelta(hours=5):%Y-%m-%dT%H:%M}")
        to_page(page, "General appearance and behaviour")
        Hand(page).tap(Hand(page).card("cry").get_by_role("button", name="Other answers"))
        _said_kept(page)
        for (name, moment), answer in zip(_MOMENTS.items(), answers, strict=True):
            Hand(page).answer("cry", answer)
            moment(page)
            _kill(profile)
            time.sleep(0.3)
            with suppress(Exception):  # it is dead; that is the point
                context.close()
            context = _lasting(play, profile)
            page = context.pages[0]
            page.goto(file.as_uri())
            page.locator("button.exam").click()
            to_page(page, "General appearance and behaviour")
            Hand(page).tap(Hand(page).card("cry").get_by_role("button", name="Other answers"))
            pressed = Hand(page).card("cry").locator('[aria-pressed="true"]')
            came_back[name] = pressed.count() == 1 and answer in pressed.inner_text()
        last.callback(context.close)
    assert came_back["when it says kept"], came_back
    return "killed after the tap; there again: " + ", ".join(
        f"{k}: {'yes' if v else 'no'}" for k, v in came_back.items()
    )


_NOTHING_KEPT = """
Object.defineProperty(window, 'indexedDB', {get() { throw new DOMException('no', 'SecurityError'); }});
Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); };
"""
_HALF_KEPT = "Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); };"


def refused(play: Playwright, file: Path, folder: Path) -> str:
    """A browser that keeps nothing, or in one place only: said loudly, and the exam can still be saved."""
    heard = []
    for script in (_NOTHING_KEPT, _HALF_KEPT):
        with opened(play, file) as (page, eyes):
            page.add_init_script(script)
            page.reload()
            new_exam(page)
            to_page(page, "General appearance and behaviour")
            Hand(page).answer("cry", "Strong")
            line = page.locator("#keeping")
            page.wait_for_function("document.getElementById('keeping').className.match(/lost|half/)")
            heard.append(line.inner_text())
            assert line.evaluate("e => getComputedStyle(e).fontWeight >= 600")
            assert [f.answer for f in of(saved(page, folder), "cry")] == ["strong_lusty"]
            eyes.nothing_left()
    assert heard[0].startswith("Not kept")
    assert heard[1].startswith("Kept, in one place only")
    return f"{heard[0]!r}; {heard[1]!r}"


# A person is asked whether the page may keep things, and does not answer; and browsers from before what it needs.
_UNANSWERED = "StorageManager.prototype.persist = () => new Promise(() => {});"
_OLDER = (
    "delete window.DecompressionStream;",
    "delete Element.prototype.replaceChildren;",
    "delete Array.prototype.at;",
)


def unable(play: Playwright, file: Path, folder: Path) -> str:
    """No answer of the browser holds the page up; one that cannot run it, or has no script, is told in words."""
    with opened(play, file) as (page, eyes):
        page.add_init_script(_UNANSWERED)
        page.reload()
        page.get_by_role("button", name="Begin with a newborn").wait_for()
        expect(page.locator("#unable")).to_be_hidden()
        eyes.nothing_left()
    for script in _OLDER:
        with opened(play, file) as (page, _):
            page.add_init_script(script)
            page.reload()
            expect(page.locator("#unable")).to_contain_text("Safari 16.4")
    if DRIVEN["in"] == "chromium":  # Playwright cannot switch the script of Firefox off
        with opened(play, file, java_script_enabled=False) as (page, _):
            assert "record on paper" in page.inner_text("body")
    return "shown though nobody answers; without script and in older browsers: what it needs"


def deleted(play: Playwright, file: Path, folder: Path) -> str:
    """Deleting is deliberate, and is for good; another window of the page is stopped before it writes."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        kept(page)
        page.get_by_role("button", name="Contents", exact=True).click()
        page.get_by_role("button", name="All exams on this device").click()
        page.get_by_role("button", name="Delete the exam of").click()
        page.get_by_role("button", name="Delete", exact=True).click()
        assert page.locator("button.exam").count() == 1
        page.locator("#sure").check()
        page.get_by_role("button", name="Delete", exact=True).click()
        expect(page.locator("button.exam")).to_have_count(0)
        page.reload()
        page.get_by_role("button", name="Begin with a newborn").wait_for()
        assert page.locator("button.exam").count() == 0
        second = page.context.new_page()
        second.goto(file.as_uri())
        assert "open in another window" in second.locator("main").inner_text()
        second.get_by_role("button", name="Go on here").click()
        second.get_by_role("button", name="Begin with a newborn").wait_for()
        assert "goes on in another window" in page.locator("main").inner_text()
        eyes.nothing_left()
    return "only after a tick; a second window is asked first, and stops the first"


def plain_http(play: Playwright, file: Path, folder: Path) -> str:
    """Over plain http, where a browser has no locks: the second window is asked first, and stops the first."""
    handler = partial(SimpleHTTPRequestHandler, directory=str(file.parent))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        context = browser(play).new_context()
        first, second = context.new_page(), context.new_page()
        url = f"http://ward.invalid:{server.server_port}/{file.name}"
        first.goto(url)
        assert first.evaluate("navigator.locks === undefined")
        first.get_by_role("button", name="Begin with a newborn").wait_for()
        second.goto(url)
        second.get_by_text("open in another window").wait_for()
        second.get_by_role("button", name="Go on here").click()
        second.get_by_role("button", name="Begin with a newborn").wait_for()
        first.get_by_text("goes on in another window").wait_for()
        context.close()
        server.shutdown()
    return "the second window is asked first, and stops the first"
