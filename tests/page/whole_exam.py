"""A whole exam, typed and tapped, from the first tap to the server: all that it asks for, of an invented, calm
newborn girl with three abnormal findings. The page's file is checked, converted, validated and sent by the command
line as it is.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import httpx
from click.testing import CliRunner
from driver import Eyes, Hand, downloaded, to_page
from playwright.sync_api import Page

from adapter.catalogue import Catalogue
from adapter.cli import cli
from adapter.fhir import json as fhir_json
from adapter.read import read_captures
from adapter.read.bundle import from_bundle

ABNORMAL = {"murmur": "loud_or_thrill", "femoral_pulse": "weak", "clavicle": "crepitus"}


@dataclass(frozen=True)
class Effort:
    """Taps and keys of identity; taps, keys and flicks of the exam."""

    who_taps: int
    who_keys: int
    taps: int
    keys: int
    flicks: int


def identity(hand: Hand) -> None:
    """Who is examined: tapped and typed as a person does."""
    page = hand.page
    hand.button("Begin with a newborn")
    hand.tap(page.get_by_label("Name on the ward"))
    hand.type("Girl Testfield")
    hand.tap(page.get_by_label("Number of the newborn", exact=True))
    hand.type("100417")
    hand.tap(page.get_by_label("Female", exact=True))
    page.get_by_label("Born", exact=True).fill("2026-02-28T21:12")
    hand.taps, hand.keys = hand.taps + 1, hand.keys + 12
    hand.tap(page.get_by_label("Full examination within 24 hours"))
    hand.tap(page.get_by_label("Examiner", exact=True))
    hand.type("N. Invented")
    hand.button("Begin the exam")


def number(hand: Hand, *digits: str) -> None:
    """Numbers one after the other; Enter goes on to the next where the box did not lead on by itself."""
    for n, text in enumerate(digits):
        if n and hand.page.locator("*:focus").input_value():
            hand.press("Enter")
        hand.type(text)


def first_number(hand: Hand, item: str) -> None:
    """Tap into the field of a number."""
    hand.tap(hand.card(item).locator("input.number").first)


def rest_expected(hand: Hand) -> None:
    """The rest of the page as expected: list, tick one by one what comes without a tick, then record."""
    hand.button("Rest as expected", exact=False)
    boxes = hand.page.locator("ul.lines input")
    for n in range(boxes.count()):
        if not boxes.nth(n).is_checked():
            hand.tap(boxes.nth(n))
    hand.button("Record these", exact=False)


def side(hand: Hand, item: str, name: str, label: str) -> None:
    """An answer on one side, among the other answers of the item."""
    hand.tap(hand.card(item).get_by_role("button", name="Other answers"))
    hand.tap(hand.card(item).get_by_role("button", name=f"{name}: {label},"))


def walk(hand: Hand, catalogue: Catalogue) -> None:
    """Every page in its order: what is not as expected, then the rest by the bar, then what the bar leads to."""
    page = hand.page
    title = page.locator("main h2")
    before = None
    while (now := title.inner_text()) != "Finish":
        assert now != before, f"the page {now} did not go on"
        before = now
        by_hand.get(now, lambda _: None)(hand)
        if page.get_by_role("button", name="Rest as expected").count():
            rest_expected(hand)
        if title.inner_text() == now:
            left_over.get(now, next_open)(hand)
        if title.inner_text() == now:
            next_open(hand)


def next_open(hand: Hand) -> None:
    """What is open next, or the end."""
    hand.tap(hand.page.locator("#ways .left button").last)


def _circumstances(hand: Hand) -> None:
    hand.answer("infant_state", "Quiet and alert")
    hand.answer("exam_conditions", "Warm room or warmed surface")


def _vital_signs(hand: Hand) -> None:
    number(hand, "44", "132", "36.8", "98")
    hand.tap(hand.card("temperature").get_by_role("button", name="Axilla"))
    hand.tap(hand.card("oxygen_saturation").get_by_role("button", name="Right foot"))


def _heart(hand: Hand) -> None:
    hand.tap(hand.card("murmur").get_by_role("button", name="Other answers"))
    hand.answer("murmur", "Loud")
    side(hand, "femoral_pulse", "left", "Weak")
    first_number(hand, "capillary_refill_time")
    number(hand, "2.4")
    hand.tap(hand.card("capillary_refill_time").get_by_role("button", name="Sternum"))


def _skin(hand: Hand) -> None:
    hand.answer("vernix", "In the folds")


def _head(hand: Hand) -> None:
    number(hand, "2.1", "")


def _neck(hand: Hand) -> None:
    side(hand, "clavicle", "right", "Crackling under the finger")


def _abdomen(hand: Hand) -> None:
    hand.answer("umbilical_stump", "Clamped, clean, drying")


def _digits(hand: Hand) -> None:
    number(hand, "5", "5", "")
    number(hand, "5", "5", "")


def _genitals(hand: Hand) -> None:
    hand.answer("genital_type", "Typical female")


def _measurements(hand: Hand) -> None:
    next_open(hand)
    number(hand, "3310", "3260", "50.5", "34.2", "32.5", "")


def _feeding(hand: Hand) -> None:
    hand.answer("feeding_method", "Breast")
    first_number(hand, "feeds_in_24h")
    number(hand, "4", "2340", "2", "0210")
    for item, whole in (("first_void", "2026-02-28T23:40"), ("first_stool", "2026-03-01T02:10")):
        assert hand.card(item).locator("input[type=datetime-local]").input_value() == whole
    hand.answer("stool_character", "Meconium")


def _pain(hand: Hand) -> None:
    hand.tap(hand.card("pain").get_by_role("button", name="0", exact=True))


# What is done on a page before the rest is recorded as expected, and what is left after it.
by_hand = {
    "Circumstances of the examination": _circumstances,
    "Heart and circulation": _heart,
    "Skin": _skin,
    "Neck and clavicles, chest": _neck,
    "Abdomen and cord": _abdomen,
    "Genitals and anus": _genitals,
    "Reflexes and nervous system, tests, screens and scores": _pain,
    "Feeding, urine and stool, and others": _feeding,
}
left_over = {
    "Vital signs": _vital_signs,
    "Head": _head,
    "Arms and hands, legs and feet": _digits,
    "Measurements": _measurements,
}


def record(page: Page, eyes: Eyes, catalogue: Catalogue, folder: Path) -> tuple[Path, Effort]:
    """Tap and type the exam and save it; the file, and what it took."""
    hand = Hand(page)
    identity(hand)
    who_taps, who_keys, who_flicks = hand.taps, hand.keys, hand.flicks
    walk(hand, catalogue)
    assert "Everything asked for is recorded" in page.locator("main").inner_text()
    with downloaded(page, folder) as files:
        hand.button("Save the record as a file")
    [file] = files
    assert page.locator(".saved").inner_text().endswith(f"as {file.name}")
    eyes.nothing_left()
    return file, Effort(who_taps, who_keys, hand.taps - who_taps, hand.keys - who_keys, hand.flicks - who_flicks)


def accepted(file: Path, catalogue: Catalogue) -> None:
    """The adapter takes the file as it is, finds every item of the kind in it and the three abnormal findings."""
    [reading] = read_captures(file, catalogue)
    assert reading.accepted, [str(problem) for problem in reading.problems]
    assert [str(p) for p in reading.problems if p.severity.value != "information"] == []
    exam = reading.exam
    assert reading.unrecorded == ()
    assert len({finding.item for finding in exam.findings}) >= 100
    found = {f.item: f.answer for f in exam.findings if f.item in ABNORMAL and f.answer == ABNORMAL[f.item]}
    assert found == ABNORMAL
    assert exam.details.started.utcoffset() is not None
    temperature = next(f.value for f in exam.findings if f.item == "temperature")
    assert str(temperature) == "36.8 Cel"


def run(*arguments: str) -> None:
    """The command line as a user has it."""
    done = CliRunner().invoke(cli, arguments)
    assert done.exit_code == 0, f"{arguments}: exit code {done.exit_code}\n{done.output}"


def sent(file: Path, url: str, catalogue: Catalogue, folder: Path) -> int:
    """Converted, validated and sent; how many Observations of findings the server then has."""
    bundle = folder / "bundle.json"
    run("convert", str(file), "--out", str(bundle))
    run("validate", str(bundle))
    [back] = from_bundle(fhir_json.loads(bundle.read_bytes()), catalogue)
    [reading] = read_captures(file, catalogue)
    assert back == reading.exam
    run("send", str(file), "--to", url, "--outbox", str(folder / "outbox.db"), "--verify")
    with httpx.Client(trust_env=False, timeout=30) as http:
        answer = http.get(f"{url}/Observation", params={"_count": "1000"})
        held = [entry["resource"] for entry in json.loads(answer.content)["entry"]]
    codes = [coding["code"] for one in held for coding in one["code"]["coding"]]
    assert set(ABNORMAL) <= set(codes)
    assert len(held) >= len(reading.exam.findings)
    return len(held)


__all__ = ["accepted", "record", "sent", "to_page"]
