"""Left and right exchanged in a record are exchanged in the bundle, the message and the tables, and nothing else is.

Published codes of a side are exchanged too, as the catalogue pairs them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from scenes import CATALOGUE, said, scene

from adapter.exam import Exam, Side, Status
from adapter.fhir import BundleType, to_bundle
from adapter.write.tables import TABLES, TabledExam
from adapter.write.v2.message import unjudged
from drawn import drawn
from strategies import exams

OTHER = {"left": "right", "right": "left", "Left": "Right", "Right": "Left"}
NO_WORDS = {"line", "observation_id"}
"""Columns of an order, and of a hash of the name."""


def _pairs() -> Iterator[tuple[str, str]]:
    sides = CATALOGUE.sides
    pairs = [(sides["left"].codes, sides["right"].codes), (sides["both"].codes, sides["both"].codes)]
    pairs += [(site.left, site.right) for site in CATALOGUE.sites.values()]
    by_side = [item.codes_by.side for item in CATALOGUE.items.values()]
    pairs += [(codes.get(Side.LEFT, ()), codes.get(Side.RIGHT, ())) for codes in by_side]
    for left, right in pairs:
        for one, other in zip(left, right, strict=False):
            yield from ((one.code, other.code), (other.code, one.code))
            if one.display and other.display:
                yield from ((one.display, other.display), (other.display, one.display))


CODES = dict(_pairs())
ONE_SIDED = {
    lateral: whole
    for site in CATALOGUE.sites.values()
    if bool(site.left) is not bool(site.right)
    for one, other in zip((*site.left, *site.right), site.codes, strict=False)
    for lateral, whole in ((one.code, other.code), (one.display or one.code, other.display or other.code))
}
"""Of the hand and the foot a verified code exists for one side alone: it counts as that of either."""


def as_it_is(text: str) -> str:
    """The text, but for codes that exist for one side alone."""
    if text in ONE_SIDED:
        return ONE_SIDED[text]
    return re.sub(r"\d[-\d]{4,}", lambda found: ONE_SIDED.get(found.group(), found.group()), text)


def exchanged(text: str) -> str:
    """The text with left for right and right for left; ``_`` is no part of a word here (``femoral_pulse_left``)."""
    if (text := as_it_is(text)) in CODES:
        return CODES[text]
    text = re.sub(r"\d[-\d]{4,}", lambda found: CODES.get(found.group(), found.group()), text)
    there = re.sub(r"(?<![A-Za-z])([Ll]eft|[Rr]ight)(?![A-Za-z]| by )", lambda found: OTHER[found.group()], text)
    return re.sub("([Rr])ight and left", lambda found: f"{'L' if found[1] == 'R' else 'l'}eft and right", there)


def plain(exam: Exam) -> Exam:
    """Without what people wrote, which may be any text, and without places that have a side in their name: the right
    hand is before the duct."""
    one = scene()
    unnamed = {"name": None, "family": None, "given": None, "prefix": None, "mother": None}
    newborn = exam.newborn.model_copy(update={**unnamed, "identifiers": one.newborn.identifiers})
    known = {"id": "inv-1", "examiners": one.details.examiners, "place": None, "encounter": None}
    changed = {} if exam.details.status is Status.FINAL else {"amends": "inv-0", "first": None, "reason": "Mended"}
    details = exam.details.model_copy(update=known | changed)
    found = (f for f in exam.findings if f.text is None and not (f.site and CATALOGUE.sites[f.site].side))
    findings = tuple(f.model_copy(update={"note": None}) for f in found)
    return exam.model_copy(update={"details": details, "newborn": newborn, "findings": findings, "told": ()})


def with_sides_exchanged(exam: Exam) -> Exam:
    sides = {Side.LEFT: Side.RIGHT, Side.RIGHT: Side.LEFT}
    found = (f.model_copy(update={"side": sides.get(f.side, f.side) if f.side else None}) for f in exam.findings)
    return exam.model_copy(update={"findings": tuple(found)})


def words(text: str) -> str:
    """The parts of a text in an order of their own: a line that names both sides has the left one first."""
    return " | ".join(sorted(re.split(r"\n|[;:,.()] ?|\\\.br\\|&", text)))


Say = Callable[[str], str]


def bundle(exam: Exam, say: Say) -> Any:
    made = to_bundle(exam, CATALOGUE, BundleType.COLLECTION)
    names = {}
    for entry in made["entry"]:
        identifier = entry["resource"].get("identifier")
        known = identifier[0] if isinstance(identifier, list) else identifier
        names[entry["fullUrl"]] = f"{entry['resource']['resourceType']} {known['value'] if known else ''}"

    def walk(node: Any) -> Any:
        if isinstance(node, dict):
            kept = {k: v for k, v in node.items() if k not in ("id", "fullUrl")}
            return sorted((k, walk(v)) for k, v in kept.items())
        if isinstance(node, list):
            return sorted((walk(v) for v in node), key=str)
        return words(say(names.get(node, node))) if isinstance(node, str) else str(node)

    return walk(made)


def message(exam: Exam, say: Say) -> Any:
    found = []
    for segment in unjudged(exam, CATALOGUE):
        fields = segment.split("|")
        if fields[0] in ("OBX", "NTE"):
            fields[1] = ""
        if fields[0] == "OBX" and fields[3].startswith("tell."):
            fields[4] = ""
        if fields[0] == "MSH":
            fields[9] = ""
        found.append([sorted(words(say(part)) for part in field.split("^")) for field in fields])
    return sorted(found, key=str)


def tables(exam: Exam, say: Say) -> Any:
    tabled = TabledExam(exam, CATALOGUE)
    return {name: sorted(map(sorted, rows(name, tabled, say))) for name in TABLES}


def rows(name: str, tabled: TabledExam, say: Say) -> Iterator[list[str]]:
    columns = TABLES[name].columns(CATALOGUE)
    for row in TABLES[name].rows(tabled, CATALOGUE):
        cells = zip(columns, row, strict=True)
        yield [f"{say(c.name)} {words(say(str(v)))}" for c, v in cells if v is not None and c.name not in NO_WORDS]


@pytest.mark.parametrize("output", [bundle, message, tables])
def test_of_one_exam_with_two_sides_that_differ(output: Callable[[Exam, Say], Any]) -> None:
    one = scene(
        said("femoral_pulse", "absent", side="left"), said("femoral_pulse", "equal_easy", side="right"), kind="shift"
    )
    assert output(with_sides_exchanged(one), as_it_is) == output(one, exchanged)
    assert output(with_sides_exchanged(one), as_it_is) != output(one, as_it_is)


@drawn(24)
@given(exams(CATALOGUE, max_items=8))
def test_sides_exchanged_in_the_record_are_exchanged_in_every_output(exam: Exam) -> None:
    here = plain(exam)
    there = with_sides_exchanged(here)
    for output in (bundle, message, tables):
        assert output(there, as_it_is) == output(here, exchanged)
