"""Twins: two exams open side by side, and nothing of one ever in the other."""

from __future__ import annotations

from pathlib import Path

from check_entry import of, saved
from driver import Hand, kept, new_exam, opened, say_who, to_page
from playwright.sync_api import Page, Playwright


def _second(page: Page, name: str, number: str) -> None:
    page.get_by_role("button", name="Who is examined").click()
    page.get_by_role("button", name="Twin: a second exam beside this").click()
    page.get_by_label("Name on the ward").fill(name)
    page.get_by_label("Number of the newborn", exact=True).fill(number)
    page.get_by_label("Male", exact=True).check()
    assert page.get_by_label("Born", exact=True).input_value() == "", "a time of birth is one infant's own"
    page.get_by_label("Born", exact=True).fill("2026-02-28T21:19")
    page.get_by_role("button", name="Begin the exam").click()


def _switch(page: Page, to: str) -> None:
    page.get_by_role("button", name="Switch to the other baby").click()
    page.get_by_role("button", name=f"Go to {to}").click()


# What stands at the head of every sheet of paper.
#: The head of each sheet of paper: in a margin box, or where a browser has none in a line that repeats
_SHEET = (
    "[...document.styleSheets[0].cssRules].filter(r => r instanceof CSSPageRule).map(r => r.cssText)"
    ".join() + document.getElementById('page').dataset.whose"
)


def twins(play: Playwright, file: Path, folder: Path) -> str:
    """Values on both sides of several switches, a half-typed number among them; identity in words on every view."""
    with opened(play, file, width=1280, height=800) as (page, eyes):
        new_exam(page, name="Girl Birch")
        hand = Hand(page)
        _second(page, "Boy Birch", "100418")
        to_page(page, "Vital signs")
        hand.card("heart_rate").locator("input.number").fill("151")
        hand.card("temperature").locator("input.number").fill("37.")
        shown = page.locator("#top").inner_text()
        assert "Baby 2 of 2" in shown
        assert "Baby 1 of 2" in shown
        page.get_by_role("button", name="Switch to the other baby").click()
        asked = page.locator("dialog").inner_text()
        assert asked.index("You are leaving") < asked.index("You are going to") < asked.index("Read this baby's band")
        page.get_by_role("button", name="Stay with Boy Birch").click()
        assert page.locator(".frame.active").inner_text().startswith("Baby 2 of 2")
        _switch(page, "Girl Birch")
        assert page.locator(".frame.active").inner_text().startswith("Baby 1 of 2")
        to_page(page, "Vital signs")
        assert hand.card("heart_rate").locator("input.number").input_value() == ""
        assert hand.card("temperature").locator("input.number").input_value() == ""
        hand.card("heart_rate").locator("input.number").fill("118")
        hand.card("temperature").locator("input.number").press("Tab")
        # frames differ in words and in pattern, not in colour alone
        bars = page.evaluate(
            "[...document.querySelectorAll('.frame')].map(e => getComputedStyle(e, '::before').backgroundImage)"
        )
        assert len(set(bars)) == 2
        kept(page)  # the frame is shown anew until then
        page.locator(".frame.active .badge").wait_for()
        order = page.locator(".frame.active .badge").bounding_box()
        assert order is not None
        assert order["y"] < 60
        girl = saved(page, folder)
        assert "Girl Birch" in page.evaluate(_SHEET)
        _switch(page, "Boy Birch")
        to_page(page, "Vital signs")
        assert hand.card("temperature").locator("input.number").input_value() == "37."
        hand.button("Clear Body temperature", within=hand.card("temperature"))
        assert "Boy Birch" in page.evaluate(_SHEET)
        boy = saved(page, folder)
        eyes.nothing_left()
    assert [str(of(exam, "heart_rate")[0].value) for exam in (girl, boy)] == ["118 /min", "151 /min"]
    assert {len(exam.findings) for exam in (girl, boy)} == {1}
    assert girl.details.id != boy.details.id
    assert {str(exam.newborn.identifiers[0]) for exam in (girl, boy)} == {"mrn|100417", "mrn|100418"}
    orders = [exam.newborn.birth_order for exam in (girl, boy)]
    assert [(o.order, o.of) for o in orders if o] == [(1, 2), (2, 2)]
    return "118 and 151 a minute each in its own record, the half-typed 37. stayed with its own baby"


def begun_first(play: Playwright, file: Path, folder: Path) -> str:
    """Going to a twin whose exam was not begun leads to who it is, never to its findings."""
    with opened(play, file) as (page, eyes):
        page.get_by_role("button", name="Begin with a newborn").click()
        say_who(page, begin=False)
        page.get_by_role("button", name="Twin: a second exam beside this").click()
        say_who(page, name="Boy Birch", number="100418", sex="male")
        _switch(page, "Girl Testfield")
        assert page.locator("main h2").inner_text() == "First: who is examined"
        assert page.locator(".card").count() == 0
        page.get_by_role("button", name="Begin the exam").click()
        assert page.locator(".frame.active").inner_text().startswith("Baby 1 of 2")
        eyes.nothing_left()
    return "the form of who is examined comes first for each"


def mother(play: Playwright, file: Path, folder: Path) -> str:
    """Mother and newborn never share an identifier: the exam does not begin."""
    with opened(play, file) as (page, eyes):
        page.get_by_role("button", name="Begin with a newborn").click()
        page.get_by_role("button", name="Begin the exam").click()
        missing = page.locator(".faults").inner_text()
        new_exam_fields = ("identifier", "sex", "birth", "kind", "Examiner")
        assert all(word.lower() in missing.lower() for word in new_exam_fields), missing
        say_who(page, begin=False)
        page.locator("summary", has_text="Mother").click()
        page.get_by_label("Number of the mother").fill("100417")
        page.get_by_role("button", name="Begin the exam").click()
        assert "share an identifier" in page.locator(".faults").inner_text()
        page.get_by_label("Number of the mother").fill("555")
        page.get_by_role("button", name="Begin the exam").click()
        exam = saved(page, folder)
        eyes.nothing_left()
    assert exam.newborn.mother is not None
    assert [str(i) for i in exam.newborn.mother.identifiers] == ["mrn|555"]
    return "what is missing is listed at once; a shared number is refused"
