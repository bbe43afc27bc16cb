"""Cases of every rule of ``mappings/rules.yaml``: ``CASES[rule]`` are those that fire it and those that nearly do."""

from __future__ import annotations

from rule_cases import blood, breathing, feeding, form, hours_apart, infection, nerves, over_exams
from rule_cases.words import Case

CASES: dict[str, tuple[list[Case], list[Case]]] = {
    **breathing.CASES,
    **blood.CASES,
    **infection.CASES,
    **nerves.CASES,
    **feeding.CASES,
    **form.CASES,
    **over_exams.CASES,
}
for rule, (fires, nearly) in hours_apart.CASES.items():
    CASES[rule] = ([*CASES[rule][0], *fires], [*CASES[rule][1], *nearly])

__all__ = ["CASES", "Case"]
