"""Every number that can be recorded is judged, or is said to be not judged and why, in each form that is written.

One exam has every item that has a number, each at a value out of those where its judgement can change (all ends of
its ranges and between them); exam after exam these go on, so that at length all are seen.
"""

from __future__ import annotations

import html
from typing import Any

import pytest
from hypothesis import settings
from scenes import CATALOGUE, said, scene
from test_search import finding_of, samples

from adapter.catalogue import Item, ItemType
from adapter.derive import FindingView
from adapter.derive.view import ExamView
from adapter.document import to_html
from adapter.exam import Exam, Finding
from adapter.fhir import to_bundle
from adapter.write.report import report
from adapter.write.tables import TABLES
from adapter.write.v2.message import unjudged
from drawn import EXAMPLES

NUMBERS = [
    item
    for item in CATALOGUE.items.values()
    if item.type in (ItemType.QUANTITY, ItemType.QUANTITIES, ItemType.SCORE) and not item.computed
]
INFANTS: list[tuple[dict[str, Any], tuple[Finding, ...]]] = [
    ({"hours": "30", "weeks": 39}, ()),
    ({"hours": "200", "weeks": 33}, ()),
    ({"hours": "3", "weeks": 37}, (said("respiratory_support", "high_flow"),)),
    ({"hours": "80", "weeks": None, "days": None}, ()),
]
HOW_MANY = 40 if settings.default is not None and settings.default.max_examples > EXAMPLES else 2


def _values(item: Item) -> list[Finding]:
    site = item.sites[0] if item.site_required else None
    components = [part.id for part in item.components] or [None]
    return [finding_of(item, part, value, site) for part in components for value in samples(item, part)]


EVERY = {item.id: _values(item) for item in NUMBERS}


def _exam(number: int) -> Exam:
    more, beside = INFANTS[number % len(INFANTS)]
    step = HOW_MANY if HOW_MANY > 2 else 7
    chosen = (values[(number * step + place) % len(values)] for place, values in enumerate(EVERY.values()))
    return scene(*beside, *chosen, kind="shift", **more)


def _said_by_observation(resource: dict[str, Any]) -> tuple[bool, bool]:
    parts = [resource, *resource.get("component", [])]
    flagged = any("interpretation" in part for part in parts)
    noted = any(note["text"].startswith("Not judged: ") for note in resource.get("note", []))
    assert flagged or not any("referenceRange" in part for part in parts) or not noted
    return flagged, noted


def _said_by_message(exam: Exam) -> dict[str, tuple[bool, bool]]:
    found: dict[str, tuple[bool, bool]] = {}
    item = ""
    for segment in unjudged(exam, CATALOGUE):
        fields = segment.split("|")
        if fields[0] == "OBX":
            codes = fields[3].split("^")
            item = (codes[3] if len(codes) > 3 else codes[0]).partition(".")[0]
            flagged, noted = found.get(item, (False, False))
            found[item] = (flagged or bool(fields[8]), noted)
        elif fields[0] == "NTE" and fields[3].startswith("Not judged: ") and item in found:
            found[item] = (found[item][0], True)
    return found


@pytest.mark.parametrize("number", range(HOW_MANY * len(INFANTS)))
def test_every_form_says_how_a_number_was_judged_or_that_it_was_not(number: int) -> None:
    exam = _exam(number)
    view = ExamView(exam, CATALOGUE)
    own = [one for one in view.findings if one.computed is None and one.item.id in EVERY]
    entries = [entry["resource"] for entry in to_bundle(exam, CATALOGUE)["entry"]]
    resources = {r["identifier"][0]["value"]: r for r in entries if r["resourceType"] == "Observation"}
    message = _said_by_message(exam)
    columns = [column.name for column in TABLES["findings"].columns(CATALOGUE)]
    rows = [dict(zip(columns, row, strict=True)) for row in TABLES["findings"].rows(exam, CATALOGUE)]
    words = html.unescape(to_html(report(exam, CATALOGUE)).decode())
    reasons = {one.item for one in view.withheld}
    for one in own:
        if one.judged is None and one.not_judged is None:  # by what is computed from it, or a reason why that is not
            made = [other for other in view.findings if one.index in other.rests_on]
            assert made or reasons & {CATALOGUE.screening.item, *(e.item for e in CATALOGUE.estimates.values())}
            continue
        resource = next(r for name, r in resources.items() if _of(name, one))
        (row,) = [row for row in rows if row["item"] == one.item.id]
        if one.judged is None:
            assert one.not_judged, one.finding
            assert row["not_judged"] == one.not_judged
            assert _said_by_observation(resource) == (False, True), one.finding
            assert message[one.item.id] == (False, True), one.finding
            assert one.not_judged in words, one.not_judged
        else:
            assert row["meaning"] == one.judged.meaning
            assert _said_by_observation(resource)[0], one.finding
            assert message[one.item.id][0], one.finding


def _of(name: str, one: FindingView) -> bool:
    return one.item.id in name.replace(".", "/").split("/")
