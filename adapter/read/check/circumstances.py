"""How a finding was made: method and the state of the infant."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.problems import Problem
from adapter.read.check.subject import Subject
from adapter.read.wording import listed, one_of, shown


def check_circumstances(subject: Subject) -> Iterator[Problem]:
    """Unknown methods and states; a method or a state that the item does not ask for."""
    catalogue = subject.catalogue
    for placed in subject.findings:
        item, method, state = placed.item, placed.finding.method, placed.finding.state
        if method is not None:
            usual = [m for m in (*item.methods, item.method) if m]
            if method not in catalogue.methods:
                yield placed.error(
                    "method", "unknown-method", f"no method {shown(method)} is known",
                    one_of(method, item.methods or catalogue.methods),
                )  # fmt: skip
            elif usual and method not in usual:
                yield placed.warning(
                    "method", "unusual-method", f"{item.id} is not usually made by {method}",
                    f"usual: {listed(dict.fromkeys(usual))}; keep it if that is how it was done",
                )  # fmt: skip
        if state is not None:
            if state not in catalogue.states:
                yield placed.error(
                    "state", "unknown-state", f"no state {shown(state)} is known", one_of(state, catalogue.states)
                )
            elif not item.states:
                yield placed.warning(
                    "state", "state-not-asked", f"the state of the infant is not recorded with {item.id}",
                    "leave state out; the state of the whole exam belongs in the item infant_state",
                )  # fmt: skip
