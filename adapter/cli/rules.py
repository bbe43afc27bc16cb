"""The rules, told ranges and answers, screens, estimates and tables in force: each with its source, and how often it
would ring in well newborns, by what cohorts published."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from adapter.catalogue import Catalogue, Signature, Signed, signature_for, signature_of
from adapter.cli.listing import condition_in_words, ring_in_words
from adapter.derive.cohorts import ToldLine, told_lines

NO_COHORT = "no cohort known"


def rules_in_words(catalogue: Catalogue) -> str:
    """What is on and what is off, how soon each tells, why and from where, and how often it would ring."""
    lines, told = [], {line.id: line for line in told_lines(catalogue) if line.id in catalogue.rules}
    for rule in catalogue.rules.values():
        source = catalogue.sources[rule.source]
        state = rule.urgency.value if rule.on else "off"
        lines.append(f"{rule.id}  [{state}]  {rule.label}\n    {rule.reason}; {source.label} ({source.mark})")
        lines.append(f"    {_signed('rules', rule.id, catalogue)}")
        if rule.on:
            lines += _rings(told[rule.id], catalogue)
    lines += _ranges_and_answers(catalogue)
    lines += _tables(catalogue)
    return "\n".join(lines)


def _ranges_and_answers(catalogue: Catalogue) -> Iterator[str]:
    without = 0
    for line in told_lines(catalogue):
        if line.id in catalogue.rules:
            continue
        if line.band is None and not line.rings:
            without += 1
            continue
        when = condition_in_words(line.band.when) if line.band else ""
        yield f"{line.id}  [{line.urgency.value}]  {line.of}{when}; {catalogue.sources[line.source].label}"
        yield f"    {_signed('ranges' if line.band else 'answers', line.item, catalogue)}"
        yield from _rings(line, catalogue)
    yield f"{without} further answers that are told: {NO_COHORT}"
    answers = [line for line in told_lines(catalogue) if line.item and line.band is None]
    signed = sum(_signature("answers", line.item, catalogue) is not None for line in answers)
    yield f"{len(answers) - signed} of {len(answers)} answers that are told: not signed here"


def _signature(what: Signed, name: str, catalogue: Catalogue) -> Signature | None:
    """The signature for this version of the catalogue."""
    return signature_for(catalogue.signatures.values(), what, name, catalogue.settings.version)


def _signed(what: Signed, name: str, catalogue: Catalogue) -> str:
    """Who signed it here, or that nobody did for this version of the catalogue."""
    found = signature_of(catalogue.signatures.values(), what, name, catalogue.settings.version)
    if found is None:
        return "not signed here"
    by = f"{catalogue.roles[found.role].inline}, {found.date.isoformat()}"
    if found.version == catalogue.settings.version:
        return f"signed here ({by})"
    return f"not signed here for catalogue {catalogue.settings.version}: for {found.version} alone ({by})"


def _rings(line: ToldLine, catalogue: Catalogue) -> list[str]:
    return [f"    {ring_in_words(ring, catalogue)}" for ring in line.rings] or [f"    {NO_COHORT}"]


def _tables(catalogue: Catalogue) -> Iterator[str]:
    chosen = catalogue.screening
    yield f"oxygen screen in force: {chosen.id}, {chosen.label}; {catalogue.sources[chosen.source].label}"
    yield f"    {chosen.caution}"
    for table in catalogue.estimates.values():
        yield f"estimate: {table.label}, {table.version}; {catalogue.sources[table.source].label}"
    growth = catalogue.growth_reference
    named = (
        f"{growth.label}, version {growth.version}; {growth.source}" if growth else "none; the site has chosen none"
    )
    yield f"growth reference: {named}"
    for hours in catalogue.hours.values():
        items = ", ".join(catalogue.items[item].label for item in hours.items if item in catalogue.items)
        told = ", ".join(f"{line.label} [{line.urgency.value}]" for line in hours.lines)
        state = "in force" if hours.on else "off"
        yield f"lines by the hour, {state}: {hours.label}, version {hours.version}; {hours.source}"
        yield f"    {items}: {told}"
    if not catalogue.hours:
        yield "lines by the hour: none; the site has no table in hours/"
    for one in catalogue.cohorts.values():
        note = f" {one.note}" if one.note else ""
        yield f"cohort: {one.label}; {one.source}, {catalogue.sources[one.source].label}.{note}"


def rules_as_data(catalogue: Catalogue) -> dict[str, Any]:
    """The same for programs: ``lines`` that are told, each with its cohorts (an empty list: none is known), and the
    rules that are ``off``."""
    off = [rule for rule in catalogue.rules.values() if not rule.on]
    return {
        "lines": [_line(line, catalogue) for line in told_lines(catalogue)],
        "off": [{"id": rule.id, "label": rule.label, "reason": rule.reason, "source": rule.source} for rule in off],
        "sources": {s.id: {"label": s.label, "mark": s.mark} for s in catalogue.sources.values()},
    }


def _line(line: ToldLine, catalogue: Catalogue) -> dict[str, Any]:
    said: dict[str, Any] = {"id": line.id, "urgency": line.urgency.value, "of": line.of, "source": line.source}
    what: Signed = "rules" if line.id in catalogue.rules else "ranges" if line.band else "answers"
    signed = _signature(what, line.item or line.id, catalogue)
    said["signed"] = None if signed is None else {"role": signed.role, "date": signed.date.isoformat()}
    if line.id in catalogue.rules:
        said["reason"] = catalogue.rules[line.id].reason
    if line.band is not None and (when := condition_in_words(line.band.when)):
        said["when"] = when.strip()
    rings = [
        {
            "least": round(ring.least, 2),
            "most": round(ring.most, 2),
            **ring.cohort.model_dump(
                mode="json", exclude_defaults=True, include={"id", "label", "n", "source", "note"}
            ),
            "per": ring.cohort.per,
        }
        for ring in line.rings
    ]
    return {**said, "of_100_well_newborns": rings}
