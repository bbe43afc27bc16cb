"""What is seen and by whom: WCAG by axe-core, HTML by html-validate, sizes, the keyboard alone, paper."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from unicodedata import normalize

from driver import DRIVEN, ENGLISH, Hand, downloaded, new_exam, opened, say_who, to_page
from playwright.sync_api import Page, Playwright
from pypdf import PdfReader

from adapter.catalogue import Catalogue
from adapter.forms.page import page_data

ROOT = Path(__file__).parents[2]
JUDGES = ("axe-core@4.14.1", "html-validate@9.7.1")
_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def judges() -> Path:
    """The folder with the npm packages, fetched once into ``.cache/``."""
    folder = ROOT / ".cache" / "page"
    if not (folder / "node_modules" / "html-validate").is_dir() or not (folder / "node_modules/axe-core").is_dir():
        npm = shutil.which("npm")
        assert npm, "npm is needed by the outside judges"
        folder.mkdir(parents=True, exist_ok=True)
        command = [npm, "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(folder), *JUDGES]
        subprocess.run(command, check=True)
    return folder / "node_modules"


def views(page: Page, catalogue: Catalogue = ENGLISH) -> Iterator[str]:
    """Every view of the page, one after the other, with something in each; in the words of the catalogue."""
    hand = Hand(page)
    titles = {
        page_items: label
        for stage in page_data(catalogue, None, served=False)["stages"]
        for label, places in stage["pages"]
        for page_items in places
    }

    def said(key: str, **parts: str | int) -> str:
        return catalogue.words.say(f"page.{key}", **parts)

    def label(item: str) -> str:
        return catalogue.items[item].label

    def press(key: str, item: str | None = None, **parts: str | int) -> None:
        hand.button(said(key, **parts), within=hand.card(item) if item else None)

    def beginning(key: str) -> None:
        hand.button(said(key, number="NUMBER").partition("NUMBER")[0], exact=False)

    def others(item: str) -> None:
        hand.button(said("card.others_of", item=label(item)), within=hand.card(item))

    def act(key: str, item: str) -> None:
        hand.button(said("card.act_of", act=said(f"card.{key}"), item=label(item)), within=hand.card(item))

    def answer(item: str, name: str) -> None:
        hand.tap(hand.card(item).locator(f'[data-focus="{item}.{name}"]'))

    def to(item: str) -> None:
        to_page(page, titles[list(catalogue.offered).index(item)], catalogue)

    yield "start"
    press("start.begin")
    yield "who"
    press("who.begin")
    yield "who, with what is missing"
    press("all_exams")
    page.locator("button.exam").first.click()
    say_who(page, catalogue=catalogue)
    answer("infant_state", "not_rousable")
    yield "page"
    to("heart_rate")
    hand.card("heart_rate").locator("input.number").fill("300")
    hand.card("temperature").locator("input.number").fill("36.")
    yield "page with numbers and problems"
    press("number.count", "respiratory_rate")
    press("count.start", seconds=60)
    yield "clock"
    press("count.close")
    to("murmur")
    press("number.stopwatch", "capillary_refill_time")
    yield "stopwatch"
    press("count.close_measuring")
    others("murmur")
    answer("murmur", "loud_or_thrill")
    others("femoral_pulse")
    answer("femoral_pulse", "left.weak")
    act("words", "femoral_pulse")
    act("details", "murmur")
    yield "page with details, sides and words"
    beginning("ways.rest")
    yield "as expected"
    page.keyboard.press("Escape")
    act("missed", "apex_beat")
    yield "reasons"
    page.keyboard.press("Escape")
    to("pain")
    beginning("score.by_sign")
    page.locator("details.more summary").click()
    yield "scores"
    to("first_void")
    yield "moments"
    press("contents")
    yield "contents"
    hand.button(said("ways.to_tell"), exact=False)
    yield "told"
    page.locator("#main .told li button.small").first.click()
    press("told.keep")
    yield "telling"
    page.keyboard.press("Escape")
    press("finish")
    yield "finish"
    to("temperature")
    act("clear", "temperature")
    press("frame.who_label")
    press("who.twin")
    say_who(page, "Boy with a twin", "100418", sex="male", catalogue=catalogue)
    yield "twins"
    page.locator("section.other button").click()
    yield "switch"
    page.locator("dialog button.main").click()
    to("heart_rate")
    hand.card("heart_rate").locator("input.number").fill("130")
    press("finish")
    page.locator("#leave").check()
    press("end.file")
    yield "summary"


_AXE = """async tags => (await axe.run(document, {runOnly: tags, resultTypes: ['violations']})).violations
  .map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.target + ' ' + (n.any[0]?.message ?? '')).join(' | '))"""

_SMALL = """() => [...document.querySelectorAll('button, summary, select, textarea, input')].filter(e => {
    const of = e.matches('input[type=checkbox], input[type=radio]') ? e.closest('label') : e;
    const box = of.getBoundingClientRect();
    return e.checkVisibility() && box.height > 0 && (box.height < 47.9 || box.width < 47.9);
  }).map(e => e.outerHTML.slice(0, 120))"""


# Where the widest window shows what no other does: contents and list beside the page, twins side by side.
_BESIDE = ("page with numbers and problems", "contents", "finish", "twins")


def by_axe(page: Page, view: str) -> None:
    """What is in sight now has no violation."""
    if not page.evaluate("'axe' in window"):
        page.evaluate((judges() / "axe-core" / "axe.min.js").read_text(encoding="utf-8"))
    wrong = page.evaluate(_AXE, _TAGS)
    assert wrong == [], f"{view}: {wrong}"


def fits(page: Page, view: str) -> None:
    """No target is under 48 by 48, and nothing lies beyond the window's edge."""
    small = page.evaluate(_SMALL)
    assert small == [], f"{view}: under 48 by 48: {small}"
    over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert over <= 0, f"{view}: {over} pixels too wide"


# What lies beyond the window's edge, is cut off, or can be read only by scrolling to the side; of tables that may be.
_CUT = """() => [...document.querySelectorAll('#page *, dialog *')].filter(e => {
    const box = e.getBoundingClientRect();
    if (!e.checkVisibility() || !box.width || !box.height || e.closest('.hidden, section.scroll')) return false;
    const { overflowX, overflowY } = getComputedStyle(e);
    return box.right > innerWidth + 1 || box.left < -1
      || (overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1)
      || (overflowY === 'hidden' && e.scrollHeight > e.clientHeight + 1);
  }).map(e => e.outerHTML.slice(0, 120))"""


def large(play: Playwright, file: Path, folder: Path) -> str:
    """WCAG 2.2, 1.4.4 and 1.4.10: text at 150 and 200 % on a phone, and a window of 1280 by 1024 zoomed to 400 %."""
    if DRIVEN["in"] != "chromium":
        return "left out: the size of text is set by Chromium's own protocol"
    count = 0
    for width, height, text in ((360, 640, 24), (360, 640, 32), (320, 256, 16)):
        with opened(play, file, width=width, height=height) as (page, eyes):
            sizes = {"standard": text, "fixed": text}
            page.context.new_cdp_session(page).send("Page.setFontSizes", {"fontSizes": sizes})
            page.reload()
            for view in views(page):
                named = f"{view}, {width} by {height}, text of {text} pixels"
                fits(page, named)
                assert page.evaluate(_CUT) == [], named
                count += 1
            eyes.nothing_left()
    return f"{count} views: nothing cut, nothing to scroll to the side, every target 48 by 48"


_JUDGED: dict[tuple[int, int, bool], dict[str, str]] = {}


def _judged(play: Playwright, file: Path, *, width: int, height: int, dark: bool) -> dict[str, str]:
    """Every view judged by axe and by its sizes; what the document held in each."""
    if (width, height, dark) in _JUDGED:
        return _JUDGED[width, height, dark]
    seen = {}
    with opened(play, file, width=width, height=height, color_scheme="dark" if dark else "light") as (page, eyes):
        for view in views(page):
            named = f"{view}, {width} wide, {'dark' if dark else 'light'}"
            if width < 1000 or view in _BESIDE:
                by_axe(page, named)
            fits(page, named)
            if view not in ("start", "who", "who, with what is missing"):
                named = "Boy with a twin" if view in ("twins", "switch") else "Girl Testfield"
                assert named in page.locator("dialog, #top").first.inner_text(), view
            seen[view] = page.content()
        eyes.nothing_left()
    _JUDGED[width, height, dark] = seen
    return seen


def accessible(play: Playwright, file: Path, folder: Path) -> str:
    """No WCAG 2.2 AA violation in any view (axe-core), dark and light, phone and tablet; touch targets."""
    sizes = ((360, 640, True), (800, 1280, False), (1280, 800, True))
    counts = [len(_judged(play, file, width=w, height=h, dark=dark)) for w, h, dark in sizes]
    return f"{counts[0]} views in {len(sizes)} sizes and looks: no violation, every target 48 by 48, who on each view"


# What the page does on purpose, by rules of html-validate that are of style and not of the HTML standard.
_CONFIG = {"root": True, "extends": ["html-validate:standard", "html-validate:a11y"]}


def valid(play: Playwright, file: Path, folder: Path) -> str:
    """The file and every view as the browser holds it are valid HTML (html-validate)."""
    (folder / ".htmlvalidate.json").write_text(json.dumps(_CONFIG), encoding="utf-8")
    seen = _judged(play, file, width=800, height=1280, dark=False)
    names = [folder / "page.html"]
    for n, content in enumerate(seen.values()):
        names.append(folder / f"view-{n}.html")
        names[-1].write_text(
            content.replace("<html", "<!DOCTYPE html><html", 1).replace(
                "<!DOCTYPE html><!DOCTYPE html>", "<!DOCTYPE html>"
            ),
            encoding="utf-8",
        )
    command = ["node", str(judges() / "html-validate" / "bin" / "html-validate.mjs"), "--formatter", "text"]
    done = subprocess.run([*command, *map(str, names)], capture_output=True, text=True, check=False, cwd=folder)
    assert done.returncode == 0, (done.stdout + done.stderr)[:3000]
    return f"the file and {len(seen)} views"


def keyboard(play: Playwright, file: Path, folder: Path) -> str:
    """From the first key to the file without a pointer; the focus is always seen and never lost."""
    with opened(play, file, reduced_motion="reduce") as (page, eyes):
        page.evaluate("addEventListener('pointerdown', e => { throw new Error('a pointer was used'); }, true)")

        def to(name: str, role: str = "button") -> None:
            for _ in range(400):
                page.keyboard.press("Tab")
                focused = page.evaluate("""() => { const e = document.activeElement;
                    const label = e.getAttribute('aria-label') ?? e.labels?.[0]?.innerText ?? e.innerText ?? '';
                    const seen = e.matches(':focus-visible') && getComputedStyle(e).outlineStyle !== 'none';
                    return [label.trim(), seen] }""")
                if focused[0].startswith(name):
                    assert focused[1], f"{name}: the focus is not seen"
                    return
            raise AssertionError(f"{name} cannot be reached by Tab")

        to("Begin with a newborn")
        page.keyboard.press("Enter")
        to("Name on the ward")
        page.keyboard.type("Girl Keys")
        to("Number of the newborn")
        page.keyboard.type("100419")
        to("Female")
        page.keyboard.press("Space")
        to("Born")
        if DRIVEN["in"] == "chromium":
            page.keyboard.type("02282026")
            page.keyboard.press("Tab")
            page.keyboard.type("0912PM")
        else:  # its field goes on by itself after the year
            page.keyboard.type("022820260912PM")
        to("First look at birth")
        page.keyboard.press("Space")
        page.keyboard.press("ArrowDown")
        to("Examiner")
        page.keyboard.type("N. Invented")
        to("Begin the exam")
        page.keyboard.press("Enter")
        to("Quiet and alert")
        page.keyboard.press("Space")
        to("Rest as expected")
        page.keyboard.press("Enter")
        to("Record these")
        page.keyboard.press("Enter")
        to("Finish")
        page.keyboard.press("Enter")
        to("These")
        page.keyboard.press("Space")
        to("Save the record as a file")
        with downloaded(page, folder):
            page.keyboard.press("Enter")
        moving = page.evaluate("getComputedStyle(document.querySelector('button')).transitionDuration")
        assert moving == "0s"
        eyes.nothing_left()
    return (
        "begun, answered, confirmed, finished and saved by keys alone; nothing moves where less motion is asked for"
    )


def printed(play: Playwright, file: Path, folder: Path) -> str:
    """The summary on paper: who, what must be told, what was found, what was not examined, what is not recorded."""
    with opened(play, file) as (page, _):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "General appearance and behaviour")
        hand.answer("cry", "Strong")
        hand.tap(hand.card("posture").get_by_role("button", name="Not examined"))
        hand.button("Asleep, rouses as usual")
        to_page(page, "Skin")
        hand.tap(hand.card("jaundice").get_by_role("button", name="Other answers"))
        hand.tap(hand.card("jaundice").locator("button.answer.abnormal").first)
        hand.button("Finish")
        page.locator("#leave").check()
        hand.button("Save the record as a file")
        paper = folder / "paper.pdf"
        page.pdf(path=paper, format="A4")
    sheets = PdfReader(paper).pages
    assert len(sheets) > 1
    for n, sheet in enumerate(sheets, start=1):
        on_it = " ".join(normalize("NFKC", sheet.extract_text()).split())
        assert "mrn 100417; exam 2026" in on_it, "a sheet does not say whose it is"
        if DRIVEN["in"] == "chromium":  # Firefox numbers sheets in a line of its own, which a person may switch off
            assert f"sheet {n} of {len(sheets)}" in on_it
    text = " ".join(normalize("NFKC", " ".join(sheet.extract_text() for sheet in sheets)).split())
    for words in ("Girl Testfield", "100417", "Tell the provider now", "Jaundice", "Not examined", "Resting posture"):
        assert words in text, words
    assert "Not recorded (" in text
    assert "Not a diagnosis" in text
    assert "Contents" not in text
    return f"{len(PdfReader(paper).pages)} pages of A4"


def small_and_quick(play: Playwright, file: Path, folder: Path) -> str:
    """Under 300 kB; how long it takes to open is told and not asserted."""
    size = file.stat().st_size
    assert size < 300_000, size
    times = []
    for _ in range(3):
        with opened(play, file, clock=None) as (page, eyes):
            began = time.monotonic()
            page.goto(file.as_uri())
            page.get_by_role("button", name="Begin with a newborn").wait_for()
            times.append(time.monotonic() - began)
            eyes.nothing_left()
    return f"{size / 1000:.0f} kB, open in {min(times):.2f} to {max(times):.2f} s, no request but for the file"
