"""The bar at the thumb, and Back: what is left is named and led to, and no exam is left by a slip."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from driver import MORNING, Hand, new_exam, opened, say_who, to_page
from playwright.sync_api import Playwright, expect


def bar(play: Playwright, file: Path, folder: Path) -> str:
    """The next open item is named, on whatever page it is, and led to; one-by-one items keep without their tick."""
    with opened(play, file, width=360, height=640) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        onward = page.locator("#ways .left button").last
        main, foot = page.locator("main"), page.locator("#ways")
        assert onward.inner_text().startswith("Next open: State of the infant"), onward.inner_text()
        to_page(page, "Hips")
        onward.click()
        onward.click()  # passed over: the one after it
        assert page.locator("*:focus").inner_text().split(" –")[0] == "Barlow test"
        card, view = hand.card("barlow").bounding_box(), main.bounding_box()
        assert card is not None
        assert view is not None
        assert card["y"] + 48 < view["y"] + view["height"], "what is led to is in sight"
        hand.button("Rest as expected", exact=False)
        assert page.locator("ul.lines input").count() > page.locator("ul.lines input:checked").count() > 0
        hand.button("Record these", exact=False)
        assert page.locator("main h2").inner_text() == "Hips", "what was not ticked is still open here"
        unset = [words.split(" –")[0] for words in page.locator(".card.unset h3").all_inner_texts()]
        assert unset[:2] == ["Ortolani test", "Barlow test"]
        box = foot.bounding_box()
        assert box is not None
        assert round(box["y"] + box["height"]) <= 640, "always at the thumb"
        assert box["height"] < 640 / 4
        eyes.nothing_left()
    return "the next open item is named and led to over pages; what comes without a tick stays open"


def back(play: Playwright, file: Path, folder: Path) -> str:
    """Back closes a window, leaves a view, asks before the exam is left; a reload lands where one was."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "Breathing")
        hand.button("Next open", exact=False)
        hand.button("Rest as expected", exact=False)
        page.go_back()
        expect(page.locator("dialog")).to_have_count(0)
        expect(page.locator("main h2")).to_have_text("Breathing")
        hand.button("Finish")
        page.go_back()
        expect(page.locator("main h2")).to_have_text("Breathing")
        page.locator("main h2").click()
        page.go_back()
        expect(page.locator("dialog")).to_contain_text("not saved yet")
        hand.button("Stay in the exam")
        expect(page.locator("main h2")).to_have_text("Breathing")
        hand.button("To tell", exact=False)
        page.reload()
        expect(page.locator("main h2")).to_have_text("To be told")
        page.go_back()
        expect(page.locator("main h2")).to_have_text("Breathing")
        page.locator("main h2").click()
        page.go_back()
        hand.button("All exams on this device")
        assert page.locator("button.exam").count() == 1
        eyes.nothing_left()
    return "a window closed, a view left, the exam left only after asking; a reload in the same view"


def doubts(play: Playwright, file: Path, folder: Path) -> str:
    """Asked once before there is an exam: an age that is not of its kind, and a clock behind what was kept here."""
    with opened(play, file) as (page, eyes):
        faults = page.locator(".faults")
        new_exam(page, born="2025-02-28T21:12")  # the year that was
        assert "8771 hours old" in faults.inner_text(), faults.inner_text()
        say_who(page)
        page.locator("main h2", has_text="Circumstances").wait_for()
        hand = Hand(page)
        page.clock.set_system_time(MORNING - timedelta(days=1))
        page.go_back()
        hand.button("All exams on this device")
        new_exam(page, born="2026-02-28T07:12")
        assert "an exam was kept here at 2026-03-01" in faults.inner_text(), faults.inner_text()
        hand.button("It is right: begin")
        page.locator("main h2", has_text="Circumstances").wait_for()
        eyes.nothing_left()
    return "a birth a year too early and a clock a day behind are asked before the exam begins"
