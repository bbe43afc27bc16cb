"""The bedside page in a real browser: ``python -m tests.page.in_a_browser [NAME...]``; one line a check.

Needs the program ``chromium`` (in Debian the package of that name), ``playwright`` of the extra ``browser``, and npm.
"""

from __future__ import annotations

import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parents[2]),
    str(Path(__file__).parent),
    str(Path(__file__).parents[1]),
    str(Path(__file__).parents[1] / "outbox"),
]

import check_any  # noqa: E402
import check_entry  # noqa: E402
import check_hostile  # noqa: E402
import check_keeping  # noqa: E402
import check_looks  # noqa: E402
import check_offline  # noqa: E402
import check_served  # noqa: E402
import check_told  # noqa: E402
import check_twins  # noqa: E402
import check_ward  # noqa: E402
import check_ways  # noqa: E402
import check_words  # noqa: E402
import whole_exam  # noqa: E402
from driver import DRIVEN, browser, opened  # noqa: E402
from playwright.sync_api import Playwright, sync_playwright  # noqa: E402
from servers import sandbox  # noqa: E402

from adapter.catalogue import load_catalogue  # noqa: E402
from adapter.forms.page import to_page  # noqa: E402

CATALOGUE = load_catalogue()
Check = Callable[[Playwright, Path, Path], str]


def whole(play: Playwright, file: Path, folder: Path) -> str:
    """A whole exam from the first tap to the server."""
    with opened(play, file, width=390, height=844) as (page, eyes):
        saved, effort = whole_exam.record(page, eyes, CATALOGUE, folder)
    whole_exam.accepted(saved, CATALOGUE)
    with sandbox(folder) as url:
        count = whole_exam.sent(saved, url, CATALOGUE, folder)
    assert effort.taps <= 70, effort
    assert effort.keys <= 61, effort
    assert effort.flicks <= 25, effort
    return (
        f"{effort.taps} taps, {effort.keys} keys (numbers and times) and {effort.flicks} flicks for the exam on a"
        f" phone, {effort.who_taps} taps and {effort.who_keys} keys for who is examined;"
        f" {count} Observations on the server"
    )


CHECKS: dict[str, Check] = {
    "timers": check_entry.timers,
    "numbers": check_entry.numbers,
    "rest as expected": check_entry.expected,
    "not examined": check_entry.not_examined,
    "correction": check_entry.correction,
    "told": check_told.told,
    "the bar": check_ways.bar,
    "Back": check_ways.back,
    "doubts at Begin": check_ways.doubts,
    "reload": check_keeping.reload,
    "killed browser": check_keeping.killed,
    "nothing kept": check_keeping.refused,
    "browser that cannot": check_keeping.unable,
    "deleting, two windows": check_keeping.deleted,
    "two windows, plain http": check_keeping.plain_http,
    "twins": check_twins.twins,
    "twins, who first": check_twins.begun_first,
    "mother": check_twins.mother,
    "odd names": check_hostile.names,
    "odd site": check_hostile.site,
    "clocks that change": check_hostile.clocks,
    "anything": check_any.anything,
    "whole exam": whole,
    "served": check_served.served,
    "what became of it": check_served.followed,
    "without network": check_offline.offline,
    "on the ward": check_ward.ward,
    "no English": check_words.translated,
    "WCAG 2.2 AA": check_looks.accessible,
    "large text": check_looks.large,
    "valid HTML": check_looks.valid,
    "keyboard alone": check_looks.keyboard,
    "on paper": check_looks.printed,
    "small and quick": check_looks.small_and_quick,
}


def main() -> int:
    """Exit code 0 when every check is well."""
    if "--firefox" in sys.argv:
        DRIVEN["in"] = "firefox"
    chosen = [name for name in sys.argv[1:] if not name.startswith("--")] or list(CHECKS)
    failed = 0
    with sync_playwright() as play, tempfile.TemporaryDirectory() as place:
        for name in chosen:
            folder = Path(place) / name.replace(" ", "-")
            folder.mkdir()
            file = folder / "page.html"
            file.write_bytes(to_page(CATALOGUE))
            began = time.monotonic()
            try:
                said = CHECKS[name](play, file, folder)
            except Exception:
                failed += 1
                print(f"FAILED  {name}\n{traceback.format_exc()}", flush=True)
            else:
                print(f"ok  {time.monotonic() - began:5.1f}s  {name}: {said}", flush=True)
        browser(play).close()
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
