"""What a site's folder changes (``newborn-adapter items --site DIR``), and what differs between two catalogues
(``newborn-adapter site compare``), in words or as JSON."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from adapter.catalogue import Catalogue, load_catalogue, shipped_in
from adapter.catalogue.difference import CatalogueChange, difference, labelled
from adapter.catalogue.difference import Kind as ChangeKind
from adapter.catalogue.lint import lint
from adapter.catalogue.lint_site import placeholders
from adapter.derive.rejudged import Difference, LineDifference
from adapter.problems import Problem
from adapter.run.compare import Compared
from adapter.write import lint_forms

_LONG = 100
LANGUAGE = ("setting", "language")
_COUNTED = {
    Difference.APPEARS: "lines that appear",
    Difference.DISAPPEARS: "that disappear",
    Difference.SOONER: "told sooner",
    Difference.LATER: "told later",
}
_HEADINGS: dict[ChangeKind, str] = {
    "changed": "Changed",
    "on": "Switched on",
    "off": "Switched off",
    "added": "Added",
    "gone": "Gone",
    "label": "Other words",
}


def changes_of(site: Catalogue) -> tuple[list[CatalogueChange], list[Problem]]:
    """The differences from the shipped catalogue, and what is wrong with the site."""
    return from_shipped(site), [*lint(site), *lint_forms(site)]


def from_shipped(site: Catalogue) -> list[CatalogueChange]:
    """What a site says otherwise than the shipped catalogue in the site's language, and that language."""
    language = site.settings.language
    spoken = [CatalogueChange("changed", "setting", "language", "none", language)] if language else []
    return [*spoken, *(one for one in difference(shipped_in(language), site) if (one.place, one.field) != LANGUAGE)]


def changes_in_words(site: Catalogue, changes: list[CatalogueChange], problems: list[Problem]) -> str:
    """Settings and entries that differ, words of a language last and counted, then the problems."""
    settings = site.settings
    lines = [f"{settings.policy.name} ({settings.policy.date}), version {settings.version}"]
    drafted = shipped_in(settings.language).language == site.language  # else every word of the site differs
    lines += _by_kind(changes, ("shipped", "site"), words=drafted)
    words = counts_in_words(changes)
    other, every = labelled(load_catalogue(), site)
    lines += ["", f"In all: {words or 'nothing differs from the shipped catalogue'}."]
    if settings.language:
        lines.append(f"Language {settings.language}: {other} of {every} labels differ from the English ones.")
    lines += [*map(str, (*problems, *placeholders(site))), f"{len(problems)} problems."]
    return "\n".join(lines)


def _by_kind(changes: list[CatalogueChange], names: tuple[str, str], *, words: bool) -> list[str]:
    """The differences under their headings; those of words alone only where they are asked for."""
    lines = []
    for kind, heading in _HEADINGS.items():
        chosen = [change for change in changes if change.kind == kind]
        if chosen and (words or kind != "label"):
            lines += ["", f"{heading}:", *(line for change in chosen for line in _lines(change, names))]
    return lines


def counts_in_words(changes: list[CatalogueChange]) -> str:
    """How many differences of each kind there are."""
    counts = Counter(change.kind for change in changes)
    return ", ".join(f"{counts[kind]} {heading.lower()}" for kind, heading in _HEADINGS.items() if counts[kind])


def comparison_in_words(changes: list[CatalogueChange]) -> str:
    """The differences between two catalogues; of words alone their number."""
    lines = _by_kind(changes, ("old", "new"), words=False)
    return "\n".join([*lines, "", f"The catalogues: {counts_in_words(changes) or 'no difference'}."]).lstrip("\n")


def exams_in_words(exams: Sequence[Compared], *, words: bool) -> str:
    """What becomes of each exam's lines, and of how many; with ``words`` the lines' own, which hold findings."""
    lines, counts = [], Counter[str]()
    for exam in exams:
        for name, rules in (("the old", exam.refused_before), ("the new", exam.refused_after)):
            if rules:
                lines.append(f"  {exam.exam}: refused by {name} catalogue ({', '.join(rules)})")
        for line in exam.lines:
            counts[line.difference] += 1
            lines.append(f"  {exam.exam}: {_line_in_words(line, words)}")
    refused = sum(bool(exam.refused_before or exam.refused_after) for exam in exams)
    told = ", ".join(f"{said} {counts[one]}" for one, said in _COUNTED.items() if counts[one])
    told = told or "no line is told otherwise"
    return "\n".join(
        [
            f"On {len(exams)} exams, each judged alone: {told}; {refused} refused by one of them or both.",
            *lines,
        ]
    )


def _line_in_words(line: LineDifference, words: bool) -> str:
    what = f"rule {line.rule} ({line.item})" if line.rule else " ".join(filter(None, (line.item, line.side)))
    soon = " to ".join(one.value for one in (line.before, line.after) if one is not None)
    within = f"; told within {', '.join(line.within)}" if line.within else ""
    return f"{what} {line.difference} ({soon}){within}" + (f": {line.words}" if words else "")


def comparison_as_json(changes: list[CatalogueChange], exams: Sequence[Compared] | None, *, words: bool) -> str:
    """The same for programs."""
    content: dict[str, Any] = {"changes": [_as_data(change, ("old", "new")) for change in changes]}
    if exams is not None:
        content["exams"] = len(exams)
        content["refused"] = [
            {"exam": one.exam, "old": one.refused_before, "new": one.refused_after}
            for one in exams
            if one.refused_before or one.refused_after
        ]
        content["lines"] = [
            {**asdict(line), "difference": line.difference} if words else _without_words(line)
            for exam in exams
            for line in exam.lines
        ]
    return json.dumps(content, indent=2, ensure_ascii=False)


def _without_words(line: LineDifference) -> dict[str, Any]:
    return {name: value for name, value in asdict(line).items() if name != "words"} | {"difference": line.difference}


def _lines(change: CatalogueChange, names: tuple[str, str]) -> list[str]:
    if change.kind in ("on", "off"):
        return [f"  {change.place}"]
    if change.kind in ("added", "gone"):
        return [f"  {change.place}: {change.after or change.before}"]
    head = f"  {change.place}: {change.field}"
    if len(change.before) + len(change.after) <= _LONG:
        return [f"{head}  {change.before} -> {change.after}"]
    return [head, f"    {names[0]:<8} {change.before}", f"    {names[1]:<8} {change.after}"]


def _as_data(change: CatalogueChange, names: tuple[str, str]) -> dict[str, str]:
    """A difference with both values under these names."""
    plain = {"kind": change.kind, "place": change.place, "field": change.field}
    return plain | dict(zip(names, (change.before, change.after), strict=True))


def changes_as_json(changes: list[CatalogueChange], problems: list[Problem]) -> str:
    """The differences and the problems for programs."""
    content = {
        "changes": [_as_data(change, ("shipped", "site")) for change in changes],
        "problems": [str(problem) for problem in problems],
    }
    return json.dumps(content, indent=2, ensure_ascii=False)
