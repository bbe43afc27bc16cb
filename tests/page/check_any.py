"""Whatever is tapped: a record that the page lets be saved is taken by the adapter, and the lists are the same."""

from __future__ import annotations

from pathlib import Path

from driver import Hand, downloaded, new_exam, opened
from playwright.sync_api import Page, Playwright

from adapter.catalogue import load_catalogue
from adapter.derive import judged_findings, tell_list
from adapter.read import read_captures

CATALOGUE = load_catalogue()

# Taps, types and chooses at random, by a generator with a seed (mulberry32); leaves alone what leaves the exam.
_ANYTHING = """([seed, steps]) => {
  let state = seed;
  const next = () => {
    state = (state + 0x6D2B79F5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  const one = list => list[Math.floor(next() * list.length)];
  const texts = ['3310', '36.8', '44', '0', '7', '12,5', '98.6', '5', '250', '1.', 'x', '', '034', '-2'];
  const leave = /All exams|Delete|Who|Switch|Finish|Clear|On to|Count with|Stopwatch/;
  let done = 0;
  for (let n = 0; n < steps; n += 1) {
    if (n % 12 === 0 && !document.querySelector('dialog[open]')) {
      const entries = [...document.querySelectorAll('#aside button.entry')];
      one(entries).click();
    }
    const place = document.querySelector('dialog[open]') ?? document.querySelector('main');
    const all = [...place.querySelectorAll('button, select, input, textarea, summary')]
      .filter(e => !e.disabled && !leave.test(e.textContent));
    const e = one(all);
    if (!e?.checkVisibility()) continue;
    done += 1;
    if (e.matches('select')) {
      e.value = one([...e.options]).value;
      e.dispatchEvent(new Event('change', {bubbles: true}));
    } else if (e.matches('input[type=text], textarea')) {
      e.value = e.matches('textarea') ? one(['seen by day', '\\u0007 a bell', '  ', '\\ud800half']) : one(texts);
      e.dispatchEvent(new Event('input', {bubbles: true}));
    } else if (e.matches('input[type=datetime-local]')) {
      e.value = one(['2026-03-01T08:31', '2026-02-28T23:00', '2026-02-27T10:00', '']);
      e.dispatchEvent(new Event('input', {bubbles: true}));
    } else e.click();
  }
  document.querySelectorAll('dialog').forEach(d => d.close());
  return done;
}"""


def _mended(page: Page, hand: Hand) -> int:
    """Go to each thing that is wrong and clear it, as a person would; how many there were."""
    for count in range(200):
        hand.button("Finish")
        wrong = page.locator("ul.problems li.error button.link")
        if not wrong.count():
            return count
        item = wrong.first.get_attribute("data-item")
        wrong.first.click()
        hand.card(item or "").locator('[data-focus$=".clear"]').click()
    raise AssertionError("what is wrong cannot be mended")


def anything(play: Playwright, file: Path, folder: Path) -> str:
    """Random taps, mended where the page says so, saved: taken by the adapter without an error, the same list."""
    told = findings = mended = taps = 0
    for number in (11, 12):
        with opened(play, file, height=900) as (page, eyes):
            new_exam(page, sex=("male", "female")[number % 2])
            hand = Hand(page)
            taps += page.evaluate(_ANYTHING, [number, 450])
            mended += _mended(page, hand)
            leave = page.locator("#leave")
            if leave.count():
                leave.check()
            shown = page.locator("main .told li:not(.none) .words").all_inner_texts()
            with downloaded(page, folder) as files:
                hand.button("Save the record as a file")
            [saved] = files
            eyes.nothing_left()
        [reading] = read_captures(saved, CATALOGUE)
        assert reading.accepted, [str(problem) for problem in reading.errors]
        assert reading.exam is not None
        computed, pool = judged_findings(reading.exam, CATALOGUE)
        lines = [t for t in tell_list(reading.exam, computed, CATALOGUE, pool) if t.urgency.value != "none"]
        assert shown == [line.words for line in lines]
        told, findings = told + len(lines), findings + len(reading.exam.findings)
    return f"{taps} random taps, {mended} things mended: {findings} findings taken, {told} lines as the adapter's"


__all__ = ["anything"]
