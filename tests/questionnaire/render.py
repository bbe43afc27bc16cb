"""The Questionnaires in an independent form renderer: ``python tests/questionnaire/render.py [PICTURES]``.

The renderer is LHC-Forms 40.1.3 (npm package lforms, of the U.S. National Library of Medicine; its licence is based
on the BSD licence). npm fetches it once into ``.cache/``; Chromium shows the forms from this machine.
What is typed as a person types must come back as a response that this project reads into the findings meant.

HL7 SDC 4.0.0: *Advanced Form Rendering* (help, units, choice lists), *Form Behavior and Calculation* (enableWhen,
required, repeats). ``PICTURES`` is a folder for screenshots, to be looked at.
"""

from __future__ import annotations

import functools
import http.server
import io
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from playwright.sync_api import Page, sync_playwright  # noqa: E402

from adapter.catalogue import Catalogue, load_catalogue  # noqa: E402
from adapter.fhir.json import dumps, loads  # noqa: E402
from adapter.forms import to_questionnaire  # noqa: E402
from adapter.read import Reading, read_captures  # noqa: E402
from adapter.validate import validate  # noqa: E402

PACKAGE = "lforms@40.1.3"
CACHE = ROOT / ".cache" / "form-renderer"
PAGE = """<!doctype html><html lang="en"><meta charset="utf-8"><title>Form</title>
<link rel="stylesheet" href="/webcomponent/styles.css"><body><div id="form"></div>
<script src="/webcomponent/assets/lib/zone.min.js"></script><script src="/webcomponent/lhc-forms.js"></script>
<script src="/fhir/R4/lformsFHIR.min.js"></script></body></html>"""


def renderer() -> Path:
    """The renderer's folder; fetched by npm where it is not there yet. Nothing of it is run at installation."""
    folder = CACHE / "package" / "dist" / "lforms"
    if not folder.exists():
        npm = shutil.which("npm")
        assert npm, "npm is needed to fetch the form renderer"
        CACHE.mkdir(parents=True, exist_ok=True)
        subprocess.run([npm, "pack", "--silent", PACKAGE], cwd=CACHE, stdin=subprocess.DEVNULL, check=True)
        (archive,) = CACHE.glob("*.tgz")
        with tarfile.open(archive) as packed:
            packed.extractall(CACHE, filter="data")
    return folder


class _Handler(http.server.SimpleHTTPRequestHandler):
    def do_GET(self) -> None:
        if self.path != "/":
            super().do_GET()
            return
        body = PAGE.encode()
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        pass


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The renderer on this machine."""
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Handler, directory=folder)) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}/"
        server.shutdown()


class Form:
    """One questionnaire in a page, filled in as a person does: with the keyboard, in the fields that are shown."""

    def __init__(self, page: Page, url: str, questionnaire: dict[str, Any]) -> None:
        self.page = page
        self.faults: list[str] = []
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.goto(url)
        given = loads(dumps(questionnaire))
        page.evaluate("form => LForms.Util.addFormToPage(form, 'form', {prepopulate: false})", _plain(given))
        page.wait_for_selector("[id^='exam.id/']")

    def shown(self, link: str) -> bool:
        """Whether a question or group is there to be seen."""
        return self.page.locator(f"[id^='item-{link}/']").first.is_visible()

    def labels(self) -> set[str]:
        """The words of every question and group that is shown."""
        return {text.strip().removesuffix("*").strip() for text in self.page.locator("label").all_inner_texts()}

    def type(self, link: str, text: str) -> None:
        """Type into the field of a question."""
        field = self.page.locator(f"[id^='{link}/']").first
        field.click()
        field.fill(text)
        field.press("Tab")

    def choose(self, link: str, *labels: str) -> None:
        """Choose from a list, by what is written there."""
        field = self.page.locator(f"input[id^='{link}/']").first
        for label in labels:
            field.click()
            line = re.compile(rf"^\s*(\d+:)?\s*{re.escape(label)}\s*$")
            self.page.locator("#completionOptions li").filter(has_text=line).first.click()
        field.press("Tab")

    def moment(self, link: str, text: str) -> None:
        """Type a date and time."""
        field = self.page.locator(f"[id^='item-{link}/'] input").first
        field.click()
        field.fill(text)
        field.press("Enter")

    def yes(self, link: str) -> None:
        """Answer yes."""
        self.page.locator(f"[id^='{link}/'][id$='|true']").first.click()

    def response(self) -> bytes:
        """What the renderer gives back."""
        self.page.wait_for_timeout(300)  # it takes a typed value over a moment later
        text = self.page.evaluate("() => JSON.stringify(LForms.Util.getFormFHIRData('QuestionnaireResponse', 'R4'))")
        return bytes(text, "utf-8")


def _plain(value: Any) -> Any:
    """Decimals as numbers, as any JavaScript has them."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value if isinstance(value, (str, int, bool)) else float(value)


def _read(response: bytes, catalogue: Catalogue) -> Reading:
    [reading] = read_captures(io.BytesIO(response), catalogue, name="response.json")
    return reading


def every_kind(page: Page, url: str, catalogue: Catalogue, pictures: Path | None) -> None:
    """Each kind of exam is shown without a fault, with a question for every item that it covers."""
    for kind in catalogue.kinds:
        form = Form(page, url, to_questionnaire(catalogue, kind))
        labels = form.labels()
        for item in catalogue.expected(kind):
            assert item.sex is not None or item.label in labels, f"{kind}: {item.label} is not shown"
        assert not any(form.shown(f"further.{region}") for region in catalogue.regions)
        assert not form.faults, form.faults
        if pictures is not None:
            page.screenshot(path=pictures / f"{kind}.png")
        print(f"{kind}: {len(labels)} labels")


def a_shift(page: Page, url: str, catalogue: Catalogue, pictures: Path | None) -> None:
    """Typed, chosen, not examined, opened, left out: and read back."""
    form = Form(page, url, to_questionnaire(catalogue, "shift"))
    empty = _read(form.response(), catalogue)
    assert "missing-field" in {problem.rule for problem in empty.errors}, "an empty form is no exam"

    # enableWhen: the reason is asked as long as there is no answer
    assert form.shown("heart_rate.not_examined")
    form.type("heart_rate.value", "148")
    page.wait_for_timeout(300)
    assert not form.shown("heart_rate.not_examined")
    form.type("heart_rate.counted_seconds", "60")
    form.choose("breath_sounds.left.value", "Wheeze")
    form.choose("breath_sounds.right.not_examined", "Crying; could not be judged")
    assert form.shown("breath_sounds.right.value")
    assert not form.shown("breath_sounds.left.note")
    form.yes("breath_sounds.left.more")
    form.type("breath_sounds.left.note", "after feed; 2nd look")
    form.choose("skin_colour.value", "Pale", "Blue hands and feet, mucosa pink")
    # the rest of the catalogue, only where it is asked for
    assert not form.shown("murmur")
    form.choose("about.further", "Heart and circulation")
    assert form.shown("murmur")
    form.choose("murmur.value", "None heard")

    form.type("exam.id", "render-1")
    form.moment("exam.started", "03/02/2026 09:30:00")
    form.type("exam.examiners.name", "N. Invented")
    form.choose("exam.examiners.role", "Nurse")
    form.type("newborn.identifiers.system", "mrn")
    form.type("newborn.identifiers.value", "100417")
    form.choose("newborn.sex", "Female")
    form.moment("newborn.birth_time", "03/01/2026 21:12:00")
    response = form.response()
    assert not form.faults, form.faults
    if pictures is not None:
        page.screenshot(path=pictures / "filled-top.png")
        page.locator("[id^='item-heart_rate/']").scroll_into_view_if_needed()
        page.screenshot(path=pictures / "filled-heart-rate.png")
        page.locator("[id^='item-breath_sounds/']").scroll_into_view_if_needed()
        page.screenshot(path=pictures / "filled-breath-sounds.png")
    _is_what_was_typed(response, catalogue)


def _is_what_was_typed(response: bytes, catalogue: Catalogue) -> None:
    assert list(validate(loads(response))) == []
    reading = _read(response, catalogue)
    assert reading.accepted, [str(problem) for problem in reading.problems]
    exam = reading.exam
    assert exam is not None
    assert exam.details.started == datetime.fromisoformat("2026-03-02T09:30:00+01:00")
    assert exam.newborn.birth_time == datetime.fromisoformat("2026-03-01T21:12:00+01:00")
    said = {
        (f.item, f.side, str(f.value) if f.value is not None else None, f.not_examined, f.counted_seconds, f.note)
        for f in exam.findings
    }
    assert said == {
        ("heart_rate", None, "148 /min", None, 60, None),
        ("breath_sounds", "left", "wheeze", None, None, "after feed; 2nd look"),
        ("breath_sounds", "right", None, "crying", None, None),
        ("skin_colour", None, "pale", None, None, None),
        ("skin_colour", None, "acrocyanosis", None, None, None),
        ("murmur", None, "none_heard", None, None, None),
    }, said
    print(f"{len(said)} findings typed and read back")


def main(pictures: Path | None) -> None:
    """Show and fill in the forms; an assertion says what is wrong."""
    with tempfile.TemporaryDirectory() as site:
        # the renderer writes every time in UTC: only a site's time zone says which local time that was
        (Path(site) / "site.yaml").write_text("time_zone: Europe/Berlin\n", "utf-8")
        catalogue = load_catalogue(Path(site))
    if pictures is not None:
        pictures.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium")
    with served(renderer()) as url, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1200, "height": 1000}, timezone_id="Europe/Berlin", locale="en-GB")
        page.set_default_timeout(30_000)
        every_kind(page, url, catalogue, pictures)
        a_shift(page, url, catalogue, pictures)
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else None)
