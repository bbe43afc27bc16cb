"""Who was told of a line: marked beside it in the list, undone, kept in the record, carried into a correction."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from check_entry import saved
from driver import Hand, new_exam, opened, to_page
from playwright.sync_api import Page, Playwright


def _listed(page: Page) -> str:
    return page.locator("#main .told").inner_text()


def told(play: Playwright, file: Path, folder: Path) -> str:
    """Nobody is told without name and role; a second line of the same call is one tap; the list never shortens."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "Heart and circulation")
        hand.tap(hand.card("femoral_pulse").get_by_role("button", name="Other answers"))
        for side in ("left", "right"):
            hand.tap(hand.card("femoral_pulse").get_by_role("button", name=f"{side}: Absent"))
        hand.button("Finish")
        lines = page.locator("#main .told li.tell-now").count()
        name = page.locator("#main").get_by_role("button", name="Told: Femoral pulse, left: Absent …", exact=True)
        hand.tap(name)
        hand.button("Keep")
        assert "Say who was told" in page.get_by_role("alert").last.inner_text()
        page.get_by_label("Told to").fill("Dr N. Invented")
        page.get_by_label("Their role").select_option("physician")
        page.get_by_label("Read back").select_option("yes")
        page.get_by_role("textbox", name="When").fill("2020-01-01T08:00")
        hand.button("Keep")
        assert "before birth" in page.get_by_role("alert").last.inner_text()
        page.get_by_role("textbox", name="When").fill("2026-03-01T08:35")
        hand.button("Keep")
        hand.button("Told Dr N. Invented now: Femoral pulse, right: Absent", within=page.locator("#main"))
        assert _listed(page).count("to Dr N. Invented (physician)") == 2
        assert page.locator("#main .told li.tell-now").count() == lines, "a line told stays on the list"
        page.reload()
        to_page(page, "Heart and circulation")
        hand.button("Finish")
        assert _listed(page).count("to Dr N. Invented (physician)") == 2, "kept with every tap"
        exam = saved(page, folder)
        eyes.nothing_left()
    assert {one.line for one in exam.told} == {"femoral_pulse.absent/left", "femoral_pulse.absent/right"}
    first = next(one for one in exam.told if one.line.endswith("left"))
    assert (first.to.name, first.to.role, first.read_back) == ("Dr N. Invented", "physician", True)
    assert first.at.replace(tzinfo=None) == datetime(2026, 3, 1, 8, 35)
    assert first.by == exam.details.examiners[0]
    assert first.words == "Femoral pulse, left: Absent"
    return (
        "two lines told, one by one tap; no name, no role and a time before birth refused; the list kept its length"
    )
