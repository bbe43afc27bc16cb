"""The digit preference score of the WHO MONICA Project.

Kuulasmaa, Hense, Tolonen, Quality Assessment of Data on Blood Pressure in the WHO MONICA Project, WHO MONICA Project
e-publications No. 9, Geneva 1998; the score as the documentation of the NiPN data quality toolkit has it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from math import sqrt

from adapter.write.quality.checks import QualityChecks


def terminal_digit(number: Decimal, step: Decimal) -> int:
    """The digit of a number at the place of ``step``, such as 0.1; what lies behind it does not count."""
    return int(abs(number) // step) % 10


def preference_score(counts: Sequence[int]) -> float:
    """100 * sqrt(chi2 / (n * (k - 1))) for the counts of k digits, chi2 against equal shares; 0 to 100.

    Raises ``ValueError`` for no counts.
    """
    total, cells = sum(counts), len(counts)
    if not total or cells < 2:
        raise ValueError("no digits were counted")
    expected = total / cells
    chi2 = sum((count - expected) ** 2 / expected for count in counts)
    return 100 * sqrt(chi2 / (total * (cells - 1)))


def digit_rows(found: Mapping[str, Sequence[int]], checks: QualityChecks) -> list[dict[str, object]]:
    """Of each item the numbers, the score where there are enough, and how often each digit stood."""
    made: list[dict[str, object]] = []
    for item, counts in found.items():
        total = sum(counts)
        enough = total >= max(checks.digits.fewest, checks.least)
        score = round(preference_score(counts), 1) if enough else None
        made.append(
            {
                "item": item,
                "step": str(checks.digits.items[item]),
                "numbers": total if total >= checks.least else None,
                "score": score,
                "told": score is not None and score >= checks.digits.above,
                "digits": [count if count >= checks.least else None for count in counts] if enough else None,
            }
        )
    return made
