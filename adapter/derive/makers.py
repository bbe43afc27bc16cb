"""Who made a computed finding: the names of every rule, table and comparison, in one place."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue, Estimate, GrowthReference, HourTable, Item, Rule, Screening
from adapter.derive.made import Maker


def by_rule(rule: Rule | Screening, catalogue: Catalogue) -> Maker:
    """A rule on findings that matter together, or a screen; both are of the site's version."""
    return Maker(rule.id, rule.label, catalogue.settings.version, rule.source)


def by_table(table: Estimate | GrowthReference | HourTable, source: str = "") -> Maker:
    """A table of the trade in its own version; ``source`` where one of its lines has its own."""
    return Maker(table.id, table.label, table.version, source or table.source)


def by_rise(catalogue: Catalogue) -> Maker:
    """The rise of bilirubin between two measurements."""
    return Maker("bilirubin_rise", catalogue.words.say("maker.rise"), catalogue.settings.version, "S09")


def by_sides(item: Item, catalogue: Catalogue) -> Maker:
    """The comparison of left and right of an item."""
    return Maker(
        f"sides_{item.id}",
        catalogue.words.say("maker.sides", item=item.label),
        catalogue.settings.version,
        item.sources[0],
    )


def makers(catalogue: Catalogue) -> Iterator[Maker]:
    """Everything that can make a finding under this catalogue."""
    yield from (by_rule(rule, catalogue) for rule in catalogue.rules.values())
    yield from (by_rule(screening, catalogue) for screening in catalogue.screenings.values())
    yield from (by_table(table) for table in catalogue.estimates.values())
    yield from (by_table(table) for table in catalogue.growth.values())
    yield from (by_table(table) for table in catalogue.hours.values())
    yield by_rise(catalogue)
    yield from (by_sides(item, catalogue) for item in catalogue.items.values() if item.compare_sides)
