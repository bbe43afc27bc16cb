"""In another language no word of the page is English: in every view, served, offline, handed over, in two windows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import yaml
from check_looks import views
from driver import Hand, opened, say_who, window
from playwright.sync_api import Page, Playwright

from adapter.catalogue import Catalogue, load_catalogue
from adapter.forms.page import to_page as built
from adapter.forms.serve import Filing, running
from tests.report.test_no_english import english, numbered, tokens

# What is seen, what a screen reader says, what the style sheet shows and prints of it, and the page's title.
_VISIBLE = """() => {
  const said = [...document.querySelectorAll('[aria-label], [title], [alt], [data-unset], [data-later]')].flatMap(e =>
    ['aria-label', 'title', 'alt', 'data-unset', 'data-later'].map(name => e.getAttribute(name)));
  const texts = [document.title];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode())
    if (!walker.currentNode.parentElement.closest('script, style, bdi, [lang]:not(html)'))
      texts.push(walker.currentNode.textContent);
  return [...said, ...texts].filter(Boolean).join(' ');
}"""
_NAMES = ("Boy with a twin", "Girl Testfield", "N. Invented", "mrn", "Chrome", "Edge", "Firefox", "Safari")


def in_language(language: str, folder: Path) -> Catalogue:
    """The shipped catalogue, each of its labels a number, in the words of a language."""
    settings = {"language": language, "policy": {"name": "P", "date": "2026-11-02"}}
    (folder / "labels").mkdir(parents=True)
    (folder / "site.yaml").write_text(json.dumps(settings))
    labels = {"language": language, **numbered(load_catalogue())}
    (folder / "labels" / f"{language}.yaml").write_text(yaml.safe_dump(labels, allow_unicode=True), encoding="utf-8")
    return load_catalogue(folder)


def _look(page: Page, catalogue: Catalogue, view: str) -> int:
    text = page.evaluate(_VISIBLE)
    for source in sorted((*_NAMES, *(one.label for one in catalogue.sources.values())), key=len, reverse=True):
        text = text.replace(source, " ")
    words = set(tokens(text))
    left = words & english(catalogue.language)
    assert left == set(), f"{view}: {left}"
    assert page.locator("html").get_attribute("lang") == catalogue.language
    return len(words)


@contextmanager
def _served(page: Page, catalogue: Catalogue, folder: Path) -> Iterator[str]:
    folder.mkdir()
    with ExitStack() as stack:
        filing = stack.enter_context(Filing(folder, catalogue))
        yield stack.enter_context(running(built(catalogue, served=True, ward=True), filing))


def _handed_over(play: Playwright, catalogue: Catalogue, folder: Path) -> list[int]:
    """No ward list, opens without network, no answer, handed over, in two windows."""
    words, seen = catalogue.words, []
    with window(play) as (page, _), _served(page, catalogue, folder) as url:
        hand = Hand(page)
        page.goto(url)
        page.get_by_text(words.say("page.ward.none")).wait_for()
        page.get_by_text(words.say("page.offline.opens")).wait_for()
        seen.append(_look(page, catalogue, "served"))
        hand.button(words.say("page.start.begin_unlisted"))
        born = page.evaluate("new Date(Date.now() - 4 * 3600000).toISOString().slice(0, 16)")
        say_who(page, born=born, catalogue=catalogue)
        hand.button(words.say("page.finish"))
        page.locator("#leave").check()
        page.route("**/records", lambda route: route.abort())
        hand.button(words.say("page.end.send"))
        page.get_by_text(words.say("page.saving.no_answer")).wait_for()
        seen.append(_look(page, catalogue, "no answer"))
        page.unroute("**/records")
        hand.button(words.say("page.end.send"))
        page.locator(".answer-of-adapter").wait_for()
        seen.append(_look(page, catalogue, "handed over"))
        other = page.context.new_page()
        other.goto(url)
        other.get_by_role("button", name=words.say("page.window.go_on")).wait_for()
        seen.append(_look(other, catalogue, "two windows"))
        other.get_by_role("button", name=words.say("page.window.go_on")).click()
        page.get_by_text(words.say("page.window.stopped")).wait_for()
        return [*seen, _look(page, catalogue, "stopped")]


def translated(play: Playwright, file: Path, folder: Path) -> str:
    """Every view in German and French, and German where it is served."""
    catalogues = {language: in_language(language, folder / language) for language in ("de", "fr")}
    seen = _handed_over(play, catalogues["de"], folder / "drop")
    for language, catalogue in catalogues.items():
        (folder / f"{language}.html").write_bytes(built(catalogue))
        with opened(play, folder / f"{language}.html") as (page, eyes):
            seen += [_look(page, catalogue, f"{language}: {view}") for view in views(page, catalogue)]
            eyes.nothing_left()
    return f"{len(seen)} views in German and French without an English word, {sum(seen)} words looked at"
