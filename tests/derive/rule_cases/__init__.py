"""Cases of every rule of ``mappings/rules.yaml``: ``CASES[rule]`` are those that fire it and those that nearly do."""

from __future__ import annotations

from rule_cases import blood, breathing, feeding, form, infection, nerves, over_exams
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

__all__ = ["CASES", "Case"]
