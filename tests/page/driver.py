"""The page in Debian's Chromium, driven by Playwright: a hand that counts taps and keys, eyes on the network."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from playwright.sync_api import Locator, Page, Playwright

SWITCHES = (
    *("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"),
    *("--disable-sync", "--no-first-run", "--disable-quic"),
)
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
MORNING = datetime.fromisoformat("2026-03-01T08:30:00+01:00")


class Hand:
    """Taps and types on one page, and counts both."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.taps = self.keys = 0

    def tap(self, what: Locator) -> None:
        """One tap."""
        what.click()
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


@contextmanager
def opened(
    play: Playwright,
    file: Path,
    *,
    width: int = 800,
    height: int = 1280,
    dark: bool = False,
    clock: datetime | None = MORNING,
    zone: str = "Europe/Berlin",
    reduced: bool = False,
) -> Iterator[tuple[Page, Eyes]]:
    """The page in a new browser, from the disk, with no network; its clock begins at ``clock`` if that is given."""
    browser = play.chromium.launch(executable_path=CHROMIUM, args=list(SWITCHES))
    try:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            reduced_motion="reduce" if reduced else "no-preference",
            timezone_id=zone,
            locale="en-GB",
            has_touch=True,
            offline=True,
            accept_downloads=True,
        )
        page = context.new_page()
        page.set_default_timeout(8000)
        eyes = Eyes(page)
        if clock is not None:
            page.clock.install(time=clock)
        page.goto(file.as_uri())
        yield page, eyes
    finally:
        browser.close()


def say_who(
    page: Page,
    name: str = "Girl Testfield",
    number: str = "100417",
    *,
    born: str = "2026-02-28T21:12",
    sex: str = "Female",
    kind: str = "Full examination within 24 hours",
    begin: bool = True,
) -> None:
    """Fill in who is examined, uncounted, and begin."""
    page.get_by_label("Name on the ward").fill(name)
    page.get_by_label("Number of the newborn", exact=True).fill(number)
    page.get_by_label(sex, exact=True).check()
    page.get_by_label("Born", exact=True).fill(born)
    page.get_by_label("Gestation, weeks").select_option("39")
    page.get_by_label("and days").select_option("4")
    page.get_by_label(kind).check()
    page.get_by_label("Examiner", exact=True).fill("N. Invented")
    if begin:
        page.get_by_role("button", name="Begin the exam").click()


def new_exam(page: Page, **who: str) -> None:
    """Begin a new exam."""
    page.get_by_role("button", name="Begin with a newborn").click()
    say_who(page, **who)  # type: ignore[arg-type]


def to_page(page: Page, title: str) -> None:
    """Go to a page of the exam by the contents beside it or, on a small screen, the view."""
    if not page.locator("#aside").is_visible():
        page.get_by_role("button", name="Contents", exact=True).click()
    page.locator(
        "button.entry:visible", has=page.locator(".name", has_text=re.compile(f"^{re.escape(title)}$"))
    ).click()


def kept(page: Page) -> None:
    """Wait until the page says that what was tapped is kept."""
    page.locator("#keeping.kept").wait_for(state="attached")
