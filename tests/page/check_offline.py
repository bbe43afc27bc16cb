"""The served page without network: opened again, nothing of a patient kept aside, a newer version taken and said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from driver import Hand, kept, new_exam, to_page, window
from playwright.sync_api import Page, Playwright

from adapter.catalogue import load_catalogue
from adapter.forms.page import to_page as built
from adapter.forms.serve import Filing, running

CATALOGUE = load_catalogue()
_KEPT = """async () => {
  const found = [];
  for (const name of await caches.keys())
    for (const one of await (await caches.open(name)).keys()) found.push(new URL(one.url).pathname);
  return found.sort();
}"""


def _port(url: str) -> int:
    return int(url.rstrip("/").rsplit(":", 1)[1])


def _ready(page: Page) -> None:
    page.get_by_text("It opens on this device without network as well.").wait_for()


def offline(play: Playwright, file: Path, folder: Path) -> str:
    """With the server gone and the network off: begun, kept, opened again; then the newer version, when asked for."""
    drop = folder / "drop"
    drop.mkdir()
    with window(play) as (page, _), Filing(drop, CATALOGUE) as filing:
        with running(built(CATALOGUE, served=True), filing) as url:
            page.goto(url)
            _ready(page)
            manifest = page.evaluate("fetch('manifest.webmanifest').then(r => r.json())")
            assert (manifest["display"], manifest["start_url"]) == ("standalone", "./")
        page.context.set_offline(True)
        page.reload()
        new_exam(page, born=f"{datetime.now(UTC) - timedelta(hours=5):%Y-%m-%dT%H:%M}")
        to_page(page, "General appearance and behaviour")
        Hand(page).answer("cry", "Strong")
        kept(page)
        page.reload()
        assert page.locator("main h2").inner_text() == "General appearance and behaviour"
        Hand(page).button("Finish")
        page.locator("#leave").check()
        Hand(page).button("Save and send")
        page.get_by_text("No answer: the record is kept here").wait_for()
        assert page.evaluate(_KEPT) == ["/", "/icon.svg", "/manifest.webmanifest"], "the page itself and nothing else"
        page.context.set_offline(False)
        with running(built(CATALOGUE, "initial", served=True), filing, _port(url)):
            page.get_by_role("button", name="Contents", exact=True).click()
            Hand(page).button("All exams on this device")
            page.evaluate("navigator.serviceWorker.getRegistration().then(r => r.update())")
            page.get_by_text("A newer version of this page is there").wait_for()
            Hand(page).button("Take it now")
            page.get_by_text("This page was renewed since it was last opened here.").wait_for()
            assert page.locator("button.exam").count() == 1
            assert page.evaluate(_KEPT) == ["/", "/icon.svg", "/manifest.webmanifest"]
    return "opened and worked without server and network, three files kept aside, renewed when asked for"
