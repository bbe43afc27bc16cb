"""The page in Debian's Chromium or Firefox, driven by Playwright: a hand that counts taps and keys, eyes on the
network.
"""

from __future__ import annotations

import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Locator, Page, Playwright

from adapter.catalogue import Catalogue, load_catalogue

ENGLISH = load_catalogue()
SWITCHES = (
    *("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"),
    *("--disable-sync", "--no-first-run", "--disable-quic", "--host-resolver-rules=MAP ward.invalid 127.0.0.1"),
)
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox") or "/usr/bin/firefox-esr"
PREFERENCES = {"network.dns.localDomains": "ward.invalid"}
# The browser that is driven: Chromium, unless the command line says the other.
DRIVEN = {"in": "chromium"}
MORNING = datetime.fromisoformat("2026-03-01T08:30:00+01:00")


# How many flicks bring an element into what its scroller shows: one moves by seven tenths of the height.
_FLICKS = """e => {
  if (!e.isConnected) return null;
  let frame = e.parentElement;
  const scrolls = f => f.scrollHeight > f.clientHeight && getComputedStyle(f).overflowY === 'auto';
  while (frame !== document.body && !scrolls(frame)) frame = frame.parentElement;
  const { top, bottom } = frame === document.body ? { top: 0, bottom: innerHeight } : frame.getBoundingClientRect();
  const box = e.getBoundingClientRect();
  return Math.ceil(Math.max(box.bottom - bottom, top - box.top, 0) / (0.7 * (bottom - top)));
}"""


class Hand:
    """Taps, types and flicks on one page, and counts them."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.taps = self.keys = self.flicks = 0

    def reach(self, what: Locator) -> Locator:
        """Flick until it is in sight."""
        while (flicks := what.evaluate(_FLICKS)) is None:
            pass  # shown anew in this very moment
        self.flicks += flicks
        return what

    def tap(self, what: Locator) -> None:
        """One tap."""
        self.reach(what).click()
        self.taps += 1

    def button(self, name: str | re.Pattern[str], *, within: Locator | None = None, exact: bool = True) -> None:
        """One tap on a button known by its name."""
        place = within if within is not None else self.page
        self.tap(place.get_by_role("button", name=name, exact=exact))

    def type(self, text: str) -> None:
        """Keys, one after the other, where the focus is."""
        self.page.keyboard.type(text)
        self.keys += len(text)

    def press(self, key: str) -> None:
        """One key."""
        self.page.keyboard.press(key)
        self.keys += 1

    def card(self, item: str) -> Locator:
        """The card of an item of the catalogue."""
        return self.page.locator(f"#card-{item}")

    def answer(self, item: str, label: str) -> None:
        """Tap an answer of an item without sides."""
        begins = self.page.locator(".label", has_text=re.compile(f"^{re.escape(label)}"))
        self.tap(self.card(item).locator("button.answer", has=begins).first)


class Eyes:
    """What a page asked of the network and said of errors."""

    def __init__(self, page: Page) -> None:
        self.asked: list[str] = []
        self.said: list[str] = []
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("console", lambda message: self.said.append(message.text))
        page.on("pageerror", lambda error: self.said.append(str(error)))

    def nothing_left(self) -> None:
        """No request but for the file itself (and files offered for saving), and no complaint."""
        left = [url for url in self.asked if not url.startswith(("file:", "blob:"))]
        assert left == [], left
        assert self.said == [], self.said


@cache
def browser(play: Playwright) -> Browser:
    """The one browser of this run; each check has a context, and so a storage, of its own in it."""
    if DRIVEN["in"] == "firefox":
        # Debian's own, over WebDriver BiDi: Playwright's usual Firefox is one that it builds itself
        _downloads().mkdir(exist_ok=True)
        return play.firefox.launch(
            channel="moz-firefox",
            executable_path=FIREFOX,
            firefox_user_prefs=PREFERENCES,
            downloads_path=_downloads(),
        )
    return play.chromium.launch(executable_path=CHROMIUM, args=list(SWITCHES))


@cache
def _downloads() -> Path:
    return Path(tempfile.mkdtemp())


@contextmanager
def downloaded(page: Page, folder: Path) -> Iterator[list[Path]]:
    """The one file that is downloaded within, put into ``folder``: in the list when the block has ended."""
    files: list[Path] = []
    if DRIVEN["in"] == "chromium":
        with page.expect_download() as saving:
            yield files
        files.append(folder / saving.value.suggested_filename)
        saving.value.save_as(files[0])
        return
    # Of what a page itself made as a file, Playwright hears nothing from Firefox: it is looked for where it lands.
    before = set(_downloads().iterdir())
    yield files
    for _ in range(80):
        if new := [one for one in _downloads().iterdir() if one not in before and one.stat().st_size]:
            files.append(Path(shutil.move(new[0], folder)))
            return
        time.sleep(0.1)
    raise AssertionError("nothing was downloaded")


@contextmanager
def window(play: Playwright, *, width: int = 800, height: int = 1280, **context: Any) -> Iterator[tuple[Page, Eyes]]:
    """An empty window of a browser that was never here."""
    made = browser(play).new_context(
        **{
            "viewport": {"width": width, "height": height},
            "timezone_id": "Europe/Berlin",
            "locale": "en-GB",
            "has_touch": True,
            **context,
        }
    )
    try:
        page = made.new_page()
        page.set_default_timeout(8000)
        yield page, Eyes(page)
    finally:
        made.close()


@contextmanager
def opened(
    play: Playwright,
    file: Path,
    *,
    width: int = 800,
    height: int = 1280,
    clock: datetime | None = MORNING,
    **context: Any,
) -> Iterator[tuple[Page, Eyes]]:
    """The page from the disk, with no network; its clock begins at ``clock`` if that is given."""
    with window(play, width=width, height=height, offline=True, **context) as (page, eyes):
        if clock is not None:
            page.clock.install(time=clock)
        page.goto(file.as_uri())
        yield page, eyes


def say_who(
    page: Page,
    name: str = "Girl Testfield",
    number: str = "100417",
    *,
    born: str = "2026-02-28T21:12",
    sex: str = "female",
    begin: bool = True,
    catalogue: Catalogue = ENGLISH,
) -> None:
    """Fill in who is examined, uncounted, and begin."""

    def field(key: str) -> Locator:
        return page.get_by_label(catalogue.words.say(f"page.who.{key}"), exact=True)

    field("name").fill(name)
    field("number").fill(number)
    field(sex).check()
    field("born").fill(born)
    field("weeks").select_option("39")
    field("days").select_option("4")
    page.get_by_label(catalogue.kinds["initial"].label).check()
    field("examiner").fill("N. Invented")
    if begin:
        page.get_by_role("button", name=catalogue.words.say("page.who.begin")).click()


def new_exam(page: Page, **who: str) -> None:
    """Begin a new exam."""
    page.get_by_role("button", name="Begin with a newborn").click()
    say_who(page, **who)  # type: ignore[arg-type]


def to_page(page: Page, title: str, catalogue: Catalogue = ENGLISH) -> None:
    """Go to a page of the exam by the contents beside it or, on a small screen, the view."""
    if not page.locator("#aside").is_visible():
        page.get_by_role("button", name=catalogue.words.say("page.contents"), exact=True).click()
    page.locator(
        "button.entry:visible", has=page.locator(".name", has_text=re.compile(f"^{re.escape(title)}$"))
    ).click()


def kept(page: Page) -> None:
    """Wait until the page says that what was tapped is kept."""
    page.locator("#keeping.kept").wait_for(state="attached")
