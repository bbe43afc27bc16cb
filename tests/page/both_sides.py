"""What the adapter and the page each make of the same exams, in one shape."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue
from adapter.derive import completeness, in_words, judged_findings, line_ids, tell_list
from adapter.exam import Exam
from adapter.forms.page import page_data
from adapter.read import check_exam

SCRIPT = Path(__file__).parents[2] / "adapter/forms/page/script"

# What the page leaves to the adapter: it cannot produce these, or does not know what they ask.
LEFT_TO_THE_ADAPTER = frozenset(
    {
        *("unusual-method", "state-not-asked", "text-is-an-answer", "computed-by-hand"),
        *("amends-itself", "given-twice"),
    }
)


def as_record(exam: Exam) -> dict[str, Any]:
    """The capture record with numbers as text, as the page holds it."""
    plain: dict[str, Any] = json.loads(json.dumps(exam.record(), default=_text))
    return plain


def _text(value: object) -> str:
    if isinstance(value, Decimal):
        return f"{value:f}"
    assert isinstance(value, datetime)
    return value.isoformat()


def page_says(
    exams: Sequence[Exam], catalogue: Catalogue, earlier: Sequence[Sequence[Exam]] = ()
) -> list[dict[str, Any]]:
    """Judgements, tell list, gaps and problems by the page's script, run by node.

    ``earlier``: of each exam those that the page has kept besides, in any order.
    """
    given = {
        "data": page_data(catalogue, None, served=False),
        "records": [as_record(exam) for exam in exams],
        "kept": [[as_record(exam) for exam in some] for some in earlier],
    }
    done = subprocess.run(
        ["node", str(Path(__file__).with_name("agree.mjs")), str(SCRIPT)],
        input=json.dumps(given).encode(),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()
    answers: list[dict[str, Any]] = json.loads(done.stdout)
    return answers


def adapter_says(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> dict[str, Any]:
    """The same by the adapter."""
    computed, pool = judged_findings(exam, catalogue, earlier)
    lines = tell_list(exam, computed, catalogue, pool)
    problems = [p for p in check_exam(exam, catalogue) if p.rule not in LEFT_TO_THE_ADAPTER]
    judged = [(one.item.id, one.judged) for one in pool]
    return {
        "judged": [[i, *((j.meaning.value, j.urgency.value, j.flag.value) if j else (None,) * 3)] for i, j in judged],
        "told": [
            [t.urgency.value, t.rule, t.words, list(t.because), t.to_do, t.reason, t.source, name]
            for name, t in zip(line_ids(lines), lines, strict=True)
        ],
        "words": {one.item.id: in_words(one.finding, one.item, catalogue) for one in pool},
        "notJudged": [one.not_judged for one in pool],
        "gaps": [[gap.item, gap.side.value if gap.side else None] for gap in completeness(exam, catalogue)],
        "problems": sorted([p.severity.value, p.rule, _index(p.where)] for p in problems),
    }


def _index(where: str) -> int:
    steps = where.split("/")
    return int(steps[2]) if where.startswith("/findings/") else -1


def alike(page: dict[str, Any]) -> dict[str, Any]:
    """The page's answer in the adapter's order: its problems sorted, and without a place of its own as -1."""
    problems = sorted([s, r, -1 if i is None else i] for s, r, i in page["problems"])
    return {**page, "problems": problems}
