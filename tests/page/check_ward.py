"""The list of the hospital's newborns on the served page: twins, the band, the wrong twin, no server."""

from __future__ import annotations

import json
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from check_looks import by_axe, fits
from driver import Hand, kept, window
from playwright.sync_api import Page, Playwright

from adapter.catalogue import load_catalogue
from adapter.cli.page_server import listed
from adapter.forms.page import to_page
from adapter.forms.serve import Filing, running
from adapter.read import read_captures
from adapter.sandbox import Store
from adapter.sandbox import running as sandbox
from adapter.send.target import target_of

CATALOGUE = load_catalogue()
SYSTEM = "https://hospital.example/mrn"


def _twin(order: int, born: datetime) -> list[dict[str, Any]]:
    name = ("Girl A Invented", "Boy B Invented")[order - 1]
    stem, base = "http://hl7.org/fhir/StructureDefinition/patient-", f"{born.date()}"
    time = {"extension": [{"url": f"{stem}birthTime", "valueDateTime": born.isoformat(timespec="seconds")}]}
    total = {"extension": [{"url": f"{stem}multipleBirthTotal", "valuePositiveInt": 2}]}
    patient = {
        "resourceType": "Patient",
        "id": f"t{order}",
        "identifier": [{"system": SYSTEM, "value": f"77-{order}"}],
    }
    patient |= {"name": [{"text": name}], "gender": ("female", "male")[order - 1], "birthDate": base}
    patient |= {"_birthDate": time, "multipleBirthInteger": order, "_multipleBirthInteger": total}
    role = {"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": "MTH"}
    mother = {"resourceType": "RelatedPerson", "id": f"m{order}", "patient": {"reference": f"Patient/t{order}"}}
    mother |= {"identifier": [{"system": SYSTEM, "value": "77-0"}], "relationship": [{"coding": [role]}]}
    weight = {"resourceType": "Observation", "id": f"w{order}", "status": "final", "subject": mother["patient"]}
    weight |= {"code": {"coding": [{"system": "http://loinc.org", "code": "8339-4"}]}}
    weight |= {"valueQuantity": {"value": 2480, "system": "http://unitsofmeasure.org", "code": "g"}}
    return [patient, mother, weight]


def _looked_at(page: Page, view: str) -> None:
    for look in ("light", "dark"):
        page.emulate_media(color_scheme=look)  # type: ignore[arg-type]
        by_axe(page, f"{view}, {look}")
        fits(page, f"{view}, {look}")


def ward(play: Playwright, file: Path, folder: Path) -> str:
    """From the list to the record; the other twin's band and a wrong second identifier are refused."""
    drop = folder / "drop"
    drop.mkdir()
    born = datetime.now(UTC) - timedelta(hours=5)
    html = to_page(CATALOGUE, served=True, ward=True)
    with window(play, width=390, height=844) as (page, _):
        hand = Hand(page)
        with ExitStack() as whole, Store() as store, Filing(drop, CATALOGUE) as filing:
            with sandbox(store) as fhir, httpx.Client(trust_env=False) as http:
                for one in (*_twin(1, born), *_twin(2, born)):
                    where = f"{fhir}/{one['resourceType']}/{one['id']}"
                    http.put(where, json=one, headers={"Content-Type": "application/fhir+json"}).raise_for_status()
                asked = whole.enter_context(listed(target_of({"url": fhir}, "the check"), CATALOGUE, 5, ""))
                page.goto(whole.enter_context(running(html, filing, ward=asked)))
                entry = page.locator("#ward button.exam")
                entry.first.wait_for()
                assert entry.count() == 2
                boy = entry.filter(has=page.locator("strong", has_text="Boy B Invented"))
                assert "Baby 2 of 2" in boy.inner_text()
                assert "Not to be mixed up with Girl A Invented, Baby 1 of 2" in boy.inner_text()
                _looked_at(page, "the ward's list")
                hand.tap(boy)
                hand.tap(page.get_by_label("Number on the band"))
                hand.type("77-1")
                hand.press("Enter")
                hand.press("Enter")
                page.get_by_text("This band is of another newborn: Girl A Invented, Baby 1 of 2").wait_for()
                _looked_at(page, "the band")
                page.get_by_label("Number on the band").fill("77-0")
                hand.button("The band agrees")
                page.get_by_text("That is the mother's number").wait_for()
                page.get_by_label("Number on the band").fill("77 2")
                page.get_by_label("Date of birth, read from the band").fill("2020-01-01")
                hand.button("The band agrees")
                page.get_by_text("Date of birth does not agree").wait_for()
                page.get_by_label("Date of birth, read from the band").fill(f"{born:%Y-%m-%d}")
                hand.button("The band agrees")
                page.get_by_text("Birth weight there: 2480 g").wait_for()
                page.get_by_label("Full examination within 24 hours").check()
                page.get_by_label("Examiner", exact=True).fill("N. Invented")
                hand.button("Begin the exam")
                kept(page)
            # the hospital's server is gone; the list stays, with its time
            page.reload()
            hand.button("Contents")
            hand.button("All exams on this device")
            page.get_by_text("The server is away now").wait_for()
            assert page.locator("#ward button.exam").count() == 2
            hand.button("Begin with a newborn not on the list")
            hand.button("All exams on this device")
            assert page.locator("ul.exams li").filter(has_text="not on the list").count() == 1
            page.locator("button.exam").filter(has_text="recorded").click()
            hand.button("Finish")
            page.locator("#leave").check()
            hand.button("Save and send")
            page.locator(".saved").wait_for()
    [filed] = drop.glob("*.json")
    [reading] = read_captures(filed, CATALOGUE)
    assert reading.exam is not None, reading.problems
    assert json.loads(filed.read_bytes())["findings"] == []
    newborn = reading.exam.newborn
    assert (newborn.name, newborn.sex.value, newborn.identifiers[0].value) == ("Boy B Invented", "male", "77-2")
    assert newborn.birth_order is not None
    assert (newborn.birth_order.order, newborn.birth_order.of) == (2, 2)
    assert newborn.mother is not None
    assert newborn.birth_time == born.replace(microsecond=0)
    return "twins told apart, the other twin's band refused, nothing taken over as a finding, the server away"
