"""The form of one kind of exam: its items in order, and each of them found by its linkId.

First who and when; then what this kind of exam covers, region after region and in each the least disturbing first;
at the end, region by region and only where asked for, every other item of the catalogue, so that no finding is ever
without a place.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

from adapter.catalogue import Catalogue, Item, Region
from adapter.catalogue.codings import codings
from adapter.exam import Side, Status
from adapter.read.questionnaire.about import about_exam, about_newborn, of_codings
from adapter.read.questionnaire.asking import asked, placed
from adapter.read.questionnaire.node import EnableWhen, FormNode, QuestionType

FURTHER = "further"
"""The key of the question that opens the rest of the catalogue."""


ORDER = "StructureDefinition/finding-order"
"""Our extension on a group of findings: which place it had in the record, where that is not the form's order."""

RESPONSE_STATUS = {
    Status.FINAL: "completed",
    Status.AMENDED: "amended",
    Status.ENTERED_IN_ERROR: "entered-in-error",
}


@lru_cache(maxsize=32)
def form_of(catalogue: Catalogue, kind: str) -> QuestionnaireForm:
    """The form of a kind of exam. Raises ``KeyError`` where the catalogue has no such kind."""
    return QuestionnaireForm(catalogue, kind)


def form_url(catalogue: Catalogue, kind: str) -> str:
    """The canonical URL of a kind's Questionnaire, without its version."""
    return f"{catalogue.settings.canonical}/Questionnaire/exam-{kind}"


def with_templates(url: str) -> str:
    """The URL, or the id, of the same form with templates: other content, so another artifact (FHIR R4 canonical)."""
    return f"{url}-templates"


class QuestionnaireForm:
    """The form of ``kind``: its items, and where each stands."""

    def __init__(self, catalogue: Catalogue, kind: str) -> None:
        self.catalogue, self.kind = catalogue, catalogue.kinds[kind]
        self.url, self.version = form_url(catalogue, kind), catalogue.settings.version
        covered = {item.id for item in catalogue.expected(kind)}
        regions = {catalogue.region_of[name] for name in covered}
        covered |= {i.id for r in regions for i in catalogue.regions[r].items if i.type == "text" and not i.computed}
        covered &= set(catalogue.offered)
        usual = _regions(catalogue, covered)
        other = _regions(catalogue, set(catalogue.offered) - covered)
        self.nodes: tuple[FormNode, ...] = (
            about_exam(catalogue),
            about_newborn(catalogue),
            *(_region(region, items, catalogue) for region, items in usual),
            *_further(other, catalogue),
        )
        self.by_link: dict[str, FormNode] = {}
        self.path: dict[str, str] = {}
        self.by_key: dict[tuple[str, ...], FormNode] = {}
        for node in self.nodes:
            self._enter(node, None, ())
        self.findings: dict[str, tuple[Item, Side | None]] = {
            link: (item, side) for item in catalogue.items.values() for link, side in placed(item)
        }

    @property
    def canonical(self) -> str:
        """``url|version``, as a response names its questionnaire (FHIR R4 canonical)."""
        return f"{self.url}|{self.version}"

    @property
    def canonical_with_templates(self) -> str:
        """``url|version`` of the same form with templates."""
        return f"{with_templates(self.url)}|{self.version}"

    def links_of(self, item: Item) -> dict[Side | None, str]:
        """The linkId of an item's group of findings for each side; None for findings of no fixed side."""
        return {side: link for link, side in placed(item)}

    def _enter(self, node: FormNode, parent: FormNode | None, key: tuple[str, ...]) -> None:
        link = node.link_id
        self.by_link[link], self.path[link] = node, f"{self.path[parent.link_id]}/{link}" if parent else link
        within = (*key, *node.key)
        if node.key:
            self.by_key.setdefault(within, node)
            self.by_key.setdefault(within[:-1], parent or node)
        for child in node.children:
            self._enter(child, node, within if node.is_list else key)


def _regions(catalogue: Catalogue, wanted: set[str]) -> list[tuple[Region, list[Item]]]:
    """Regions in the order of the exam with those of their items, the least disturbing first."""
    found = []
    for region in catalogue.regions.values():
        items = [item for item in region.items if item.id in wanted]
        if items:
            found.append((region, sorted(items, key=_calm_first)))
    return sorted(found, key=lambda one: min(item.position for item in one[0].items))


def _calm_first(item: Item) -> tuple[bool, int, int]:
    """Least disturbing first; what else was seen, in words, at the end."""
    return item.type == "text", item.disturbance, item.position


def _region(region: Region, items: Iterable[Item], catalogue: Catalogue, prefix: str = "region") -> FormNode:
    return FormNode(
        f"{prefix}.{region.region}",
        QuestionType.GROUP,
        region.label,
        codes=tuple(codings(catalogue).region(region.region)),
        children=tuple(asked(item, catalogue) for item in items),
    )


def _further(regions: list[tuple[Region, list[Item]]], catalogue: Catalogue) -> tuple[FormNode, ...]:
    if not regions:
        return ()
    options = tuple(of_codings(r.region, codings(catalogue).region(r.region)) for r, _ in regions)
    question = FormNode(
        "about.further",
        QuestionType.CHOICE,
        catalogue.words.say("form.further"),
        (FURTHER,),
        options=options,
        repeats=True,
    )
    groups = []
    for (region, items), option in zip(regions, options, strict=True):
        when = (EnableWhen(question.link_id, "=", ("valueCoding", option.coding)),)
        rest = _region(region, items, catalogue, FURTHER)
        text = catalogue.words.say("form.further_of", region=region.label)
        groups.append(replace(rest, text=text, when=when))
    return (question, *groups)
