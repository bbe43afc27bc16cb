"""Faults of the signatures: what they name, and dates that are not yet."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from adapter.catalogue.catalogue import Catalogue
from adapter.problems import Problem


def lint_signatures(catalogue: Catalogue) -> Iterator[Problem]:
    """Signatures by nobody known, of what is not there, or given tomorrow."""
    with_ranges = {item.id for item in catalogue.items.values() if item.ranges}
    with_answers = {item.id for item in catalogue.items.values() if item.answers}
    for one in catalogue.signatures.values():

        def report(kind: str, what: str, remedy: str, says: str, name: str = one.id) -> Problem:
            return catalogue.fault(("signatures", name), kind, f"signature {name}: {what}", remedy, says=says)

        if one.role not in catalogue.roles:
            remedy = f"one of {', '.join(catalogue.roles)}"
            yield report("unknown-reference", f"there is no role '{one.role}'", remedy, "role")
        if one.date > (datetime.now(UTC) + timedelta(hours=14)).date():
            yield report("not-yet", f"its date {one.date} is not yet", "the day on which it was read", "date")
        for kind, names, known in (
            ("rule", one.rules, {*catalogue.rules}),
            ("item with ranges", one.ranges, with_ranges),
            ("item with answers", one.answers, with_answers),
        ):
            for name in sorted({*names} - known - {"all"}):
                yield report("unknown-reference", f"there is no {kind} '{name}'", "an id that exists, or all", name)
