"""What somebody else wrote stays text: names, labels of a site, clocks that change, twins with long names."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from check_entry import of, saved
from driver import Hand, new_exam, opened, say_who, to_page
from playwright.sync_api import Playwright

from adapter.catalogue import load_catalogue
from adapter.forms.page import to_page as built

NASTY = "</script><script>document.title='x'</script><img src=x onerror=\"document.title='y'\">'\"&amp;\u2028"
_RTL = "\u05d1\u05ea \u05db\u05d4\u05df \u202e reversed"


def names(play: Playwright, file: Path, folder: Path) -> str:
    """A name of markup, one that reads from right to left, one of 255 letters: shown and saved as they are."""
    for name in (NASTY.strip("\u2028"), _RTL, "W" * 255):
        with opened(play, file, width=360, height=640) as (page, eyes):
            new_exam(page, name=name)
            to_page(page, "General appearance and behaviour")
            hand = Hand(page)
            hand.answer("cry", "Strong")
            hand.tap(hand.card("cry").get_by_role("button", name="Details"))
            hand.card("cry").get_by_label("Note").fill(NASTY)
            shown = page.locator(".frame.active strong").text_content()
            assert shown == name
            assert page.title() == f"{name}: examination"
            assert page.locator("main script, main img, #top script, #top img").count() == 0
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            top = page.locator("#top").bounding_box()
            assert top is not None
            assert top["height"] < 320
            exam = saved(page, folder)
            eyes.nothing_left()
        assert exam.newborn.name == name
        assert of(exam, "cry")[0].note == NASTY.strip()
    return "markup, right to left, 255 letters: shown as text, saved as they are"


_SITE = """
- id: jaw
  label: "</script><!-- <b>jaw</b> & 'chin' \\" \\u2028"
  caution: "<img src=x onerror=alert(1)>"
"""


def site(play: Playwright, file: Path, folder: Path) -> str:
    """A site's labels of markup cannot end the data or begin anything; its own settings are in force."""
    over = folder / "site"
    (over / "regions").mkdir(parents=True)
    items = "".join(f"  {line}\n" for line in _SITE.strip().splitlines())
    (over / "regions" / "face.yaml").write_text(f"region: face\nlabel: Face\nitems:\n{items}", encoding="utf-8")
    (over / "site.yaml").write_text(
        'policy: {name: "Ward <7> & \\"x\\"", date: "2026-01-01"}\nidentifier_systems: {mrn: "https://ward.invalid/mrn"}\n',
        encoding="utf-8",
    )
    catalogue = load_catalogue(over)
    ours = folder / "site.html"
    ours.write_bytes(built(catalogue, "initial"))
    raw = ours.read_bytes().decode()
    assert raw.count("</script>") == 2
    with opened(play, ours) as (page, eyes):
        page.get_by_role("button", name="Begin with a newborn").click()
        assert page.get_by_label("Kind of exam").count() == 0
        page.get_by_label("Kind of number (the newborn)").select_option("mrn")
        page.get_by_label("Name on the ward").fill("Girl Site")
        page.get_by_label("Number of the newborn", exact=True).fill("1")
        page.get_by_label("Female", exact=True).check()
        page.get_by_label("Born", exact=True).fill("2026-02-28T21:12")
        page.get_by_label("Examiner", exact=True).fill("N. Invented")
        page.get_by_role("button", name="Begin the exam").click()
        to_page(page, "Face, eyes")
        assert page.locator("#title-jaw").text_content() == catalogue.items["jaw"].label
        page.get_by_role("button", name="To tell", exact=False).first.click()
        assert 'Ward <7> & "x", 2026-01-01' in page.locator("main").inner_text()
        # should markup get in after all, the page's policy stops it
        page.evaluate(
            "document.body.append(Object.assign(document.createElement('script'), {textContent: 'window.bad = 1'}))"
        )
        assert page.evaluate("window.bad") is None
        assert any("Content Security Policy" in said or "settings blocked" in said for said in eyes.said)
    return "odd labels are text; the policy and the systems of the site are in force; a script put in does not run"


def clocks(play: Playwright, file: Path, folder: Path) -> str:
    """A birth in the hour that comes twice is asked for its offset, one in the hour that is skipped is refused.

    Central European Time goes back at 03:00 on 25 October 2026, and forward at 02:00 on 29 March, by Directive
    2000/84/EC (last Sundays of October and March, 01:00 UTC).
    """
    ages = []
    for offset in ("+02:00", "+01:00"):
        with opened(play, file, clock=datetime.fromisoformat("2026-10-25T08:00:00+01:00")) as (page, eyes):
            page.get_by_role("button", name="Begin with a newborn").click()
            say_who(page, born="2026-10-25T02:30", begin=False)
            page.get_by_label("Offset of Born").select_option(label=f"UTC{offset}")
            page.get_by_role("button", name="Begin the exam").click()
            ages.append(page.locator(".frame.active .age").inner_text().split(" h")[0])
            exam = saved(page, folder)
            eyes.nothing_left()
        assert exam.newborn.birth_time.isoformat() == f"2026-10-25T02:30:00{offset}"
        assert exam.details.started.isoformat().startswith("2026-10-25T08:00")
    assert ages == ["6.5", "5.5"], ages
    with opened(play, file, clock=datetime.fromisoformat("2026-03-29T08:00:00+02:00")) as (page, eyes):
        page.get_by_role("button", name="Begin with a newborn").click()
        say_who(page, born="2026-03-29T02:30")
        page.get_by_text("There was no such time").wait_for()
        page.get_by_text("The time of birth is not given").wait_for()
        page.get_by_label("Born", exact=True).fill("2026-03-29T03:30")
        page.get_by_role("button", name="Begin the exam").click()
        assert page.locator(".frame.active .age").inner_text().startswith("4.5 h")
        eyes.nothing_left()
    return "born at 02:30 twice: 6.5 or 5.5 hours old, as chosen; at 02:30 of a night that has none: refused"
