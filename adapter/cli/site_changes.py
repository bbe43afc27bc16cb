"""What a site's folder changes, in words or as JSON (``newborn-adapter items --site DIR``)."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.difference import CatalogueChange, difference, labelled
from adapter.catalogue.difference import Kind as ChangeKind
from adapter.catalogue.lint import lint
from adapter.problems import Problem
from adapter.write import lint_forms

_LONG = 100
_HEADINGS: dict[ChangeKind, str] = {
    "changed": "Changed",
    "on": "Switched on",
    "off": "Switched off",
    "added": "Added",
    "label": "Other words",
}


def changes_of(site: Catalogue) -> tuple[list[CatalogueChange], list[Problem]]:
    """The differences from the shipped catalogue, and what is wrong with the site."""
    return difference(load_catalogue(), site), [*lint(site), *lint_forms(site)]


def changes_in_words(site: Catalogue, changes: list[CatalogueChange], problems: list[Problem]) -> str:
    """Settings and entries that differ, words of a language last and counted, then the problems."""
    settings = site.settings
    lines = [f"{settings.policy.name} ({settings.policy.date}), version {settings.version}"]
    for kind, heading in _HEADINGS.items():
        chosen = [change for change in changes if change.kind == kind]
        if chosen and not (kind == "label" and settings.language):
            lines += ["", f"{heading}:", *(line for change in chosen for line in _lines(change))]
    counts = Counter(change.kind for change in changes)
    words = ", ".join(f"{counts[kind]} {heading.lower()}" for kind, heading in _HEADINGS.items() if counts[kind])
    other, every = labelled(load_catalogue(), site)
    lines += ["", f"In all: {words or 'nothing differs from the shipped catalogue'}."]
    if settings.language:
        lines.append(f"Language {settings.language}: {other} of {every} labels differ from the English ones.")
    lines += [*map(str, problems), f"{len(problems)} problems."]
    return "\n".join(lines)


def _lines(change: CatalogueChange) -> list[str]:
    if change.kind in ("on", "off"):
        return [f"  {change.place}"]
    if change.kind == "added":
        return [f"  {change.place}: {change.site}"]
    head = f"  {change.place}: {change.field}"
    if len(change.shipped) + len(change.site) <= _LONG:
        return [f"{head}  {change.shipped} -> {change.site}"]
    return [head, f"    shipped  {change.shipped}", f"    site     {change.site}"]


def changes_as_json(changes: list[CatalogueChange], problems: list[Problem]) -> str:
    """The differences and the problems for programs."""
    content = {"changes": [asdict(c) for c in changes], "problems": [str(problem) for problem in problems]}
    return json.dumps(content, indent=2, ensure_ascii=False)
