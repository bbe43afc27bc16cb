"""Codes that a release has for answers and questions that have none: found by role and words, chosen by a person.

Nothing is bound here. What a person chose, graded and with the evidence beside it, goes into the site's
``chosen_codes.csv``: the linter then asks of it what it asks of every code.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from adapter.catalogue import Catalogue, Item
from adapter.catalogue.chosen import COLUMNS
from adapter.catalogue.coverage import Coverage, coded
from adapter.send.terminology import judge
from adapter.send.terminology.asking import Terminology
from adapter.send.terminology.questions import expand, first, lookup, properties

SNOMED_ROOTS = {"value": ("404684003", "362981000"), "question": ("363787002",)}
"""SNOMED CT top concepts by role: clinical finding, qualifier value; observable entity. Asked, never sent."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One code that a release offers for a place of the catalogue, and where it stands in its hierarchy."""

    place: str
    label: str
    words: str
    system: str
    code: str
    display: str
    kind: str
    parents: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Candidates:
    """The candidates with the release that they are of."""

    found: tuple[Candidate, ...]
    editions: dict[str, str]
    server: str
    day: str

    def evidence(self, system: str) -> str:
        """What ``codes.csv`` keeps beside a code that is chosen."""
        return f"$expand and $lookup, {self.editions.get(system) or 'edition not told'}, {self.server}, {self.day}"

    def as_csv(self) -> str:
        """A line a candidate (:mod:`adapter.catalogue.chosen`); a person fills in the ``fit`` of what is chosen."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(COLUMNS)
        for one in self.found:
            writer.writerow((
                *("", "", one.place, one.label, one.words, "; ".join(one.parents)),
                *(one.system, one.code, one.display, one.kind),
                *("verified", "", "release", self.evidence(one.system), ""),
            ))  # fmt: skip
        return out.getvalue()

    def as_text(self) -> str:
        """For people: each place, then what a release has for it."""
        lines, place = [], ""
        for one in self.found:
            if one.place != place:
                place = one.place
                lines.append(f"{one.place}  {one.label}")
            above = f"  under {'; '.join(one.parents)}" if one.parents else ""
            lines.append(f"    {one.system} {one.code} |{one.display}|  {one.kind}{above}")
        return (
            "\n".join([*lines, f"{len(self.found)} candidates, {self.server}, {self.day}. A person chooses."]) + "\n"
        )


def candidates(
    items: Iterable[Item], catalogue: Catalogue, terminology: Terminology, *, words: str | None = None, count: int = 5
) -> Candidates:
    """For each question and answer of these items that has our own code alone. ``words``: instead of the label's."""
    wanted = list(_wanted(items, catalogue, words))
    replies = terminology.ask([expand(value_set, text, count) for _, _, text, _, value_set in wanted])
    offered: dict[tuple[str, str, str], tuple[str, str, str, str]] = {}
    for (place, label, text, system, _), reply in zip(wanted, replies, strict=True):
        for one in (reply.resource.get("expansion") or {}).get("contains") or ():
            if isinstance(one, dict) and one.get("code") and not one.get("inactive") and not one.get("abstract"):
                offered.setdefault(
                    (place, system, str(one["code"])), (label, text, str(one.get("display", "")), system)
                )
    keys = list(offered)
    known = terminology.ask([lookup(catalogue.uri(system), code) for _, system, code in keys])
    above = _named_parents([judge_parents(reply.resource) for reply in known], keys, catalogue, terminology)
    found, editions = [], {}
    for (place, system, code), reply, parents in zip(keys, known, above, strict=True):
        label, text, display, _ = offered[place, system, code]
        if version := first(reply.resource, "version"):
            editions[system] = str(version)
        shown = judge.preferred(reply.resource) or display
        kind = judge.tag(reply.resource) if system == "snomed" else "observable"
        found.append(Candidate(place, label, text, system, code, shown, kind, parents))
    return Candidates(tuple(found), editions, terminology.server, terminology.asked_at.date().isoformat())


def judge_parents(resource: dict[str, object]) -> list[str]:
    """The codes of the concepts above one."""
    told = properties(resource, "parent")
    return [str(one.get("code")) if isinstance(one, dict) else str(one) for one in told][:3]


def _wanted(
    items: Iterable[Item], catalogue: Catalogue, words: str | None
) -> Iterator[tuple[str, str, str, str, str]]:
    """Place, label, words, system and the value set to look in."""
    snomed = catalogue.uri("snomed")
    for row in coded(items, catalogue):
        if row.covered is not Coverage.LOCAL:
            continue
        role = "value" if row.kind == "answer" else "question"
        text = words or row.label
        if catalogue.settings.snomed != "off":
            for root in SNOMED_ROOTS[role]:
                yield row.place, row.label, text, "snomed", f"{snomed}?fhir_vs=isa/{root}"
        if role == "question":
            yield row.place, row.label, text, "loinc", f"{catalogue.uri('loinc')}/vs"


def _named_parents(
    parents: list[list[str]], keys: list[tuple[str, str, str]], catalogue: Catalogue, terminology: Terminology
) -> list[tuple[str, ...]]:
    pairs = {(system, parent) for (_, system, _), several in zip(keys, parents, strict=True) for parent in several}
    asked = sorted(pairs)
    replies = terminology.ask([lookup(catalogue.uri(system), parent) for system, parent in asked])
    shown = {pair: first(reply.resource, "display") or pair[1] for pair, reply in zip(asked, replies, strict=True)}
    return [
        tuple(str(shown[system, parent]) for parent in several)
        for (_, system, _), several in zip(keys, parents, strict=True)
    ]
