"""What the hand does: timers, numbers with their units, not examined, the rest as expected, undo, correction."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from pathlib import Path

from driver import MORNING, Hand, downloaded, new_exam, opened, to_page
from playwright.sync_api import Page, Playwright

from adapter.catalogue import load_catalogue
from adapter.exam import Exam, Finding, Quantity
from adapter.read import read_captures

CATALOGUE = load_catalogue()


def saved(page: Page, folder: Path) -> Exam:
    """Finish: what is unset stays not recorded; the exam that the adapter reads from the file."""
    page.get_by_role("button", name="Finish", exact=True).click()
    leave = page.locator("#leave")
    if leave.count():
        leave.check()
    with downloaded(page, folder) as files:
        page.get_by_role("button", name="Save the record as a file").click()
    [file] = files
    [reading] = read_captures(file, CATALOGUE)
    assert reading.accepted, [str(problem) for problem in reading.problems]
    assert reading.exam is not None
    return reading.exam


def of(exam: Exam, item: str) -> list[Finding]:
    """The findings of an item."""
    return [finding for finding in exam.findings if finding.item == item]


def timers(play: Playwright, file: Path, folder: Path) -> str:
    """The page's clock is held, so nothing waits: 30 s and 60 s counts, a typed count, the refill by holding."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "Vital signs")
        card = hand.card("respiratory_rate")
        page.clock.pause_at(MORNING + timedelta(minutes=1))
        hand.button("Count with the clock …", within=card)
        hand.button("Start 30 seconds")
        for _ in range(22):
            page.locator(".pad").click()
        page.clock.run_for(29_800)
        assert page.locator(".clock").inner_text() == "1"
        page.clock.run_for(400)
        assert "22 in 30 s: 44 in a minute (under a full minute" in page.locator(".rate").inner_text()
        hand.button("Use it")
        assert "under a full minute" in card.inner_text()
        heart = hand.card("heart_rate")
        hand.button("Count with the clock …", within=heart)
        hand.button("Start 60 seconds")
        page.clock.run_for(60_200)
        page.get_by_label("Counted").fill("131")
        hand.button("Use it")
        assert heart.locator("input.number").input_value() == "131"
        to_page(page, "Heart and circulation")
        refill = hand.card("capillary_refill_time")
        hand.button("Stopwatch …", within=refill)
        pad = page.locator(".pad").bounding_box()
        assert pad is not None
        page.mouse.move(pad["x"] + 50, pad["y"] + 50)
        page.mouse.down()
        page.clock.run_for(5_000)
        assert page.locator(".clock").inner_text().startswith("pressing 5")
        page.mouse.up()
        page.clock.run_for(2_300)
        page.mouse.down()
        assert page.locator(".clock").inner_text() == "2.3"
        page.mouse.up()
        hand.button("Use it")
        hand.button("Sternum", within=refill)
        exam = saved(page, folder)
        eyes.nothing_left()
    [rate], [beats], [seconds] = (of(exam, i) for i in ("respiratory_rate", "heart_rate", "capillary_refill_time"))
    assert (str(rate.value), rate.counted_seconds) == ("44 /min", Decimal(30))
    assert (str(beats.value), beats.counted_seconds) == ("131 /min", Decimal(60))
    assert (str(seconds.value), seconds.site) == ("2.3 s", "sternum")
    return "22 breaths in 30 s are 44 a minute, marked; 131 beats typed after 60 s; refill 2.3 s at the sternum"


# Pounds, ounces and inches: NIST Handbook 44, appendix C. 7 lb 4 oz = 7.25 x 453.59237 g; 98.6 F = 37 C.
_UNITS = (
    ("weight", "lb+oz", ("7", "4"), "= 3288.54 g", "7 lb 4 oz"),
    ("length", "[in_i]", ("19.75",), "= 50.17 cm", "19.75 in"),
    ("birth_weight", "kg", ("3,100",), "= 3100 g", "3.100 kg"),
)


def _led_on(page: Page, hand: Hand) -> None:
    """Only a number that no digit can follow leads on; an Enter meant for it does not pass over the next box."""
    focused = page.locator("*:focus")
    hand.card("respiratory_rate").locator("input.number").click()
    hand.type("4")
    assert focused.get_attribute("data-focus") == "respiratory_rate..n", "it may become 40 or more"
    hand.type("4")
    hand.press("Enter")
    assert focused.get_attribute("data-focus") == "heart_rate..n"
    hand.type("132")
    assert focused.get_attribute("data-focus") == "temperature..n"
    hand.type("36.85")
    assert focused.get_attribute("data-focus") == "temperature..n", "a further decimal may follow"
    values = [hand.card(item).locator("input.number").input_value() for item in ("respiratory_rate", "heart_rate")]
    assert values == ["44", "132"]


def numbers(play: Playwright, file: Path, folder: Path) -> str:
    """Exact conversions on screen; the record keeps digits and unit as typed; wrong numbers are said at once."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "Measurements")
        for item, unit, digits, shown, _ in _UNITS:
            card = hand.card(item)
            card.get_by_label("unit").select_option(unit)
            for n, text in enumerate(digits):
                card.locator("input.number").nth(n).fill(text)
            assert shown in card.inner_text(), (item, card.inner_text())
        head = hand.card("head_circumference")
        head.locator("input.number").fill("342")
        assert "outside what is possible" in head.inner_text()
        head.locator("input.number").fill("34.")
        assert "Not a whole number yet" in head.inner_text()
        hand.button("Finish")
        assert page.get_by_role("button", name="Save the record as a file").is_disabled()
        assert "half typed" in page.locator(".problems").inner_text()
        to_page(page, "Measurements")
        assert head.locator("input.number").input_value() == "34."
        head.locator("input.number").fill("34.20")
        to_page(page, "Vital signs")
        _led_on(page, hand)
        warm = hand.card("temperature")
        warm.get_by_label("unit").select_option("[degF]")
        warm.locator("input.number").fill("98.6")
        assert "= 37 °C" in warm.inner_text()
        hand.button("Rectum", within=warm)
        exam = saved(page, folder)
        eyes.nothing_left()
    said = {finding.item: finding.value for finding in exam.findings}
    for item, _, _, _, text in _UNITS:
        value = said[item]
        assert isinstance(value, Quantity)
        shown = str(value).replace("[lb_av]", "lb").replace("[oz_av]", "oz").replace("[in_i]", "in")
        assert shown == text
    assert str(said["head_circumference"]) == "34.20 cm"
    assert str(said["temperature"]) == "98.6 [degF]"
    return "7 lb 4 oz, 19.75 in, 3,100 kg and 98.6 °F shown exactly and kept as typed; 342 cm refused, 34. kept apart"


def expected(play: Playwright, file: Path, folder: Path) -> str:
    """Nothing is set without a tap; what is struck out stays unset; what is recorded is the list."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "Breathing")
        assert page.locator('main [aria-pressed="true"]').count() == 0
        hand.button("Rest as expected", exact=False)
        lines = page.locator("ul.lines li")
        listed = {line.split("\n")[0]: line.split("\n")[-1] for line in lines.all_inner_texts()}
        lines.nth(1).locator("input").uncheck()
        struck = lines.nth(1).locator(".item").inner_text()
        hand.button("Record these", exact=False)
        assert struck in page.locator(".card.unset").all_inner_texts()[0]
        undo = page.get_by_role("button", name="Undo", exact=False)
        undo.click()
        assert page.locator('main [aria-pressed="true"]').count() == 0
        hand.button("Rest as expected", exact=False)
        page.keyboard.press("Escape")
        assert page.locator('main [aria-pressed="true"]').count() == 0
        hand.button("Rest as expected", exact=False)
        page.locator("ul.lines li").nth(1).locator("input").uncheck()
        hand.button("Record these", exact=False)
        page.clock.fast_forward("04:00")
        to_page(page, "General appearance and behaviour")
        hand.answer("cry", "Strong")
        to_page(page, "Hips")
        hand.button("Rest as expected", exact=False)
        hips = page.locator("ul.lines li")
        ticked = [hips.nth(n).locator("input").is_checked() for n in range(hips.count())]
        names = hips.locator(".item").all_inner_texts()
        assert {name.split(",")[0] for name, tick in zip(names, ticked, strict=True) if not tick} == {
            CATALOGUE.items[item].label for item in ("ortolani", "barlow")
        }
        page.keyboard.press("Escape")
        exam = saved(page, folder)
        eyes.nothing_left()
    [cry], rest = of(exam, "cry"), [finding for finding in exam.findings if finding.item != "cry"]
    assert cry.observed_at is not None
    assert timedelta(minutes=4) <= cry.observed_at - exam.details.started < timedelta(minutes=5)
    assert {finding.observed_at for finding in rest} == {None}, "tapped in the minute of the start"
    labels = {CATALOGUE.items[f.item].label: CATALOGUE.items[f.item].answer(f.answer or "") for f in rest}
    assert {label: answer.label for label, answer in labels.items() if answer} == {
        label.removesuffix(", left and right"): answer for label, answer in listed.items() if label != struck
    }
    return (
        f"{len(listed)} lines listed, one struck out, {len(exam.findings)} findings recorded, undone and done again"
    )


def not_examined(play: Playwright, file: Path, folder: Path) -> str:
    """An item, a side, the rest of a page; any other reason needs its note; an answer takes the reason's place."""
    with opened(play, file) as (page, eyes):
        new_exam(page, sex="male")
        hand = Hand(page)
        to_page(page, "Face, eyes")
        reflex = hand.card("red_reflex")
        hand.tap(reflex.get_by_role("button", name="Not examined"))
        hand.tap(page.get_by_label("right only"))
        hand.button("Eyes not open")
        hand.tap(reflex.get_by_role("button", name="left: Present"))
        hand.tap(hand.card("cornea").get_by_role("button", name="Not examined"))
        hand.button("Other reason; see note")
        assert "Say the reason in the note first." in page.locator("dialog").inner_text()
        page.get_by_label("Note (for any other reason)").fill("swollen after birth")
        hand.button("Other reason; see note")
        hand.button("Rest not examined …")
        hand.button("Crying; could not be judged")
        assert "all recorded" in page.locator("#rest").inner_text()
        told = page.locator("#top").inner_text()
        exam = saved(page, folder)
        eyes.nothing_left()
    assert {(f.side, f.answer, f.not_examined) for f in of(exam, "red_reflex")} == {
        ("left", "present_equal", None),
        ("right", None, "eyes_not_open"),
    }
    assert {(f.side, f.not_examined, f.note) for f in of(exam, "cornea")} == {
        (side, "other_reason", "swollen after birth") for side in ("left", "right")
    }
    assert {f.not_examined for f in of(exam, "jaw")} == {"crying"}
    assert told
    return f"{len(exam.findings)} findings: a side, an item with a note, and the rest of the page with one reason"


def correction(play: Playwright, file: Path, folder: Path) -> str:
    """A saved exam is closed; correcting it makes an amendment that names the first and says why."""
    with opened(play, file) as (page, eyes):
        new_exam(page)
        hand = Hand(page)
        to_page(page, "General appearance and behaviour")
        hand.answer("cry", "Strong")
        # Chromium on a desk has no share sheet: what would be handed to one is looked at.
        page.evaluate("""() => {
          navigator.canShare = () => true;
          navigator.share = async one => { window.shared = one.files[0]; };
        }""")
        first = saved(page, folder)
        hand.button("Share the file …")
        shared = page.evaluate("window.shared.text().then(text => [window.shared.name, text])")
        assert shared == [
            f"{first.details.id}.json",
            (folder / f"{first.details.id}.json").read_text(encoding="utf-8"),
        ]
        hand.button("Correct this exam …")
        to_page(page, "General appearance and behaviour")
        hand.tap(hand.card("cry").get_by_role("button", name="Other answers"))
        hand.answer("cry", "Hoarse")
        hand.button("Finish")
        page.locator("#leave").check()
        hand.button("Save the record as a file")
        assert "A correction needs its reason" in page.locator("main").inner_text()
        page.locator("#why").fill("The cry was heard again")
        second = saved(page, folder)
        eyes.nothing_left()
    assert (second.details.status, second.details.amends) == ("amended", first.details.id)
    assert second.details.id != first.details.id
    assert [f.answer for f in of(second, "cry")] == ["hoarse"]
    return "amends the first exam, with its reason, under an id of its own"
