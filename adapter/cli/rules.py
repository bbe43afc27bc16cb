"""The rules, screens, estimates, growth reference and tables of lines in force, each with its source, in words."""

from __future__ import annotations

from adapter.catalogue import Catalogue


def rules_in_words(catalogue: Catalogue) -> str:
    """What is on and what is off, how soon each tells, why and from where."""
    lines = []
    for rule in catalogue.rules.values():
        source = catalogue.sources[rule.source]
        state = rule.urgency.value if rule.on else "off"
        lines.append(f"{rule.id}  [{state}]  {rule.label}\n    {rule.reason}; {source.label} ({source.mark})")
    chosen = catalogue.screening
    lines.append(f"oxygen screen in force: {chosen.id}, {chosen.label}; {catalogue.sources[chosen.source].label}")
    lines.append(f"    {chosen.caution}")
    for table in catalogue.estimates.values():
        lines.append(f"estimate: {table.label}, {table.version}; {catalogue.sources[table.source].label}")
    growth = catalogue.growth_reference
    named = (
        f"{growth.label}, version {growth.version}; {growth.source}" if growth else "none; the site has chosen none"
    )
    lines.append(f"growth reference: {named}")
    for hours in catalogue.hours.values():
        items = ", ".join(catalogue.items[item].label for item in hours.items if item in catalogue.items)
        told = ", ".join(f"{line.label} [{line.urgency.value}]" for line in hours.lines)
        state = "in force" if hours.on else "off"
        lines.append(f"lines by the hour, {state}: {hours.label}, version {hours.version}; {hours.source}")
        lines.append(f"    {items}: {told}")
    if not catalogue.hours:
        lines.append("lines by the hour: none; the site has no table in hours/")
    return "\n".join(lines)
