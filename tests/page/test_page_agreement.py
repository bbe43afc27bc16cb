"""The page's script, run by node, against the adapter: the same judgements, the same list, the same problems.

Where there is no node this file is left out of pytest (conftest.py); the step ``in_a_browser`` runs it too.
"""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Sequence
from decimal import Decimal
from itertools import product
from pathlib import Path
from random import Random
from typing import TypeVar

from both_sides import SCRIPT, adapter_says, alike, page_says
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.strategies import SearchStrategy
from shared_cases import CASES, exam_of, met

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam, Identifier
from drawn import usual
from rule_trees import ITEMS, conditions, over_exams, with_rules
from strategies import exams

DRAWN = 60 if usual() else 1200
SITES = Path(__file__).parents[2] / "examples" / "sites"


def test_the_page_meets_the_cases(catalogue: Catalogue) -> None:
    for case, said in zip(CASES, page_says([exam_of(case) for case in CASES], catalogue), strict=True):
        met(case, said)


def measured(catalogue: Catalogue) -> list[str]:
    """The items that are judged by ranges, scored, timed or asked by rules: where two sides could differ most."""
    asked = {leaf.item for rule in catalogue.rules.values() for leaf in rule.when.leaves()}
    return [item.id for item in catalogue.items.values() if item.ranges or item.signs or item.id in asked]


Drawn = TypeVar("Drawn")


def drawn(catalogue: Catalogue, count: int, number: int, items: Sequence[str] | None = None) -> list[Exam]:
    """So many exams at random, the same for the same number."""
    return some(exams(catalogue, min_items=12 if items else 0, max_items=40, items=items), count, number)


def some(strategy: SearchStrategy[Drawn], count: int, number: int) -> list[Drawn]:
    """So many of anything at random, the same for the same number."""
    found: list[Drawn] = []

    @seed(number)
    @settings(
        max_examples=count,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def draw(one: Drawn) -> None:
        found.append(one)

    draw()
    return found


def compare(several: list[Exam], catalogue: Catalogue) -> int:
    """That both sides say the same of every exam; how many lines of the list were compared."""
    lines = 0
    for exam, said in zip(several, page_says(several, catalogue), strict=True):
        ours = adapter_says(exam, catalogue)
        assert alike(said) == ours, exam.details.id
        lines += len(ours["told"])
    return lines


def test_both_sides_say_the_same_of_any_exam(catalogue: Catalogue) -> None:
    several = drawn(catalogue, DRAWN // 2, 6) + drawn(catalogue, DRAWN // 2, 7, measured(catalogue))
    assert compare(several[:20], load_catalogue(SITES / "nordhafen")), "in the words of another language too"
    assert len(several) >= DRAWN
    assert compare(several, catalogue) > DRAWN


def test_both_sides_say_the_same_of_every_answer_there_is(catalogue: Catalogue, every: list[Exam]) -> None:
    compare(every, catalogue)


def test_a_site_s_own_ranges_and_rules_are_the_page_s_too(tmp_path: Path) -> None:
    """A rule switched off, a range changed, the other version of the screen: on both sides at once."""
    (tmp_path / "regions").mkdir()
    (tmp_path / "rules.yaml").write_text("- {id: hip_scan, on: false}\n", encoding="utf-8")
    (tmp_path / "site.yaml").write_text("cchd_version: r2025\n", encoding="utf-8")
    band = '{high: "<45", meaning: abnormal, flag: L, urgency: tell-now, source: CP}'
    (tmp_path / "regions" / "vital.yaml").write_text(
        f"region: vital_signs\nlabel: Vital signs\nitems:\n- id: respiratory_rate\n  ranges: [{band}]\n",
        encoding="utf-8",
    )
    catalogue = load_catalogue(tmp_path)
    several = [exam_of(case) for case in CASES] + drawn(catalogue, DRAWN // 3, 7)
    compare(several, catalogue)
    told, usual = ([adapter_says(exam, c)["told"] for exam in several] for c in (catalogue, load_catalogue()))
    assert told != usual


def test_a_site_s_own_lines_by_the_hour_are_the_page_s_too() -> None:
    """The invented table of rowan-firth: on and off its lines, beyond its hours and weeks, both groups."""
    rowan = load_catalogue(SITES / "rowan-firth")
    values = [("serum_bilirubin", f"{n}", "umol/L") for n in (59.9, 60, 110, 110.01, 219.99, 220, 400)]
    values += [("serum_bilirubin", "6.5", "mg/dL"), ("transcutaneous_bilirubin", "4.5", "mg/dL")]
    values += [("transcutaneous_bilirubin", "120", "umol/L")]
    several = []
    kinds = ((None, None), ("negative", None), ("positive", None), (None, "<"), ("negative", ">="))
    for weeks, hours, (risk, comparator) in product((34, 37, 38), (11.99, 12, 30, 96.5), kinds):
        found: list[dict[str, object]] = [{"item": "rf_antiglobulin", "value": risk}] if risk else []
        for item, number, unit in values:
            value = {"value": Decimal(number), "unit": unit, **({"comparator": comparator} if comparator else {})}
            found.append({"item": item, "value": value, **({"method": "skin_meter"} if item[0] == "t" else {})})
        several.append(exam_of({"age_hours": hours, "findings": found, "gestation": {"weeks": weeks}}))
    several.append(exam_of({"age_hours": 30, "findings": found, "gestation": None}))
    compare(several, rowan)
    said = [
        words for exam in several[::3] for _, rule, words, *_ in adapter_says(exam, rowan)["told"] if "rowan" in rule
    ]
    assert len(set(said)) > 20


def test_rules_of_every_form_hold_on_both_sides_alike(catalogue: Catalogue) -> None:
    """Forms of conditions that no shipped rule has are a site's to use, so the page must run them too."""
    rules = with_rules(catalogue, some(conditions(catalogue), DRAWN, 8))
    several = drawn(rules, DRAWN // 3, 9, ITEMS)
    assert compare(several, rules) > len(several)


def test_rules_ask_the_same_of_earlier_exams_that_the_page_has_kept(catalogue: Catalogue) -> None:
    """Conditions drawn from what the exams found, and what lasts; exams of other newborns count on neither side."""
    several = some(over_exams(catalogue), 25, 10)
    rules = with_rules(catalogue, [when for *_, asked in several for when in asked])
    exams_, others = [exam for exam, *_ in several], [before for _, before, _ in several]
    strange = [_of_another(others[n - 1]) for n in range(len(others))]
    kept = [[*before, *other][::-1] for before, other in zip(others, strange, strict=True)]
    held = 0
    for exam, before, said in zip(exams_, others, page_says(exams_, rules, kept), strict=True):
        ours = adapter_says(exam, rules, before)
        assert alike(said) == ours, exam.details.id
        held += ours != adapter_says(exam, rules)
    assert held > 5


SERIES: dict[str, list[dict[str, object]]] = {
    "birth_weight": [{"value": Decimal(n), "unit": "g"} for n in (3000, 2480)],
    "weight": [{"value": Decimal(n), "unit": "g"} for n in (2990, 2690, 2600)],
    "serum_bilirubin": [{"value": Decimal(n), "unit": "mg/dL"} for n in (6, 10, 14)],
    "cchd_saturations": [
        {"components": {"preductal": Decimal(a), "postductal": Decimal(b)}, "unit": "%"}
        for a, b in ((93, 93), (85, 84), (98, 99))
    ],
}
"""What is worked out over several exams: weight lost, the rise of bilirubin, the screen."""


def test_what_is_worked_out_over_exams_is_the_same_on_the_page(catalogue: Catalogue) -> None:
    """From a birth weight or a first weight of an earlier exam; and rules count what was worked out there."""
    draw, exams_, kept = Random(11), list[Exam](), list[list[Exam]]()
    signs = [("jaundice", "face_or_chest_after_24h"), ("alertness", "lethargic"), ("skin_turgor", "slow")]
    for n in range(60):
        hours = sorted(draw.sample(range(2, 90), 3))
        some = []
        for at in hours:
            chosen = [item for item in SERIES if draw.random() < 0.5]
            found = [{"item": item, "value": draw.choice(SERIES[item])} for item in chosen]
            found += [{"item": item, "value": value} for item, value in signs if draw.random() < 0.3]
            exam = exam_of({"age_hours": at, "findings": found})
            details = exam.details.model_copy(update={"id": f"case-{n}-{at}"})
            some.append(exam.model_copy(update={"details": details}))
        exams_.append(some[-1])
        kept.append(some[:-1])
    over = 0
    for exam, before, said in zip(exams_, kept, page_says(exams_, catalogue, kept), strict=True):
        ours = adapter_says(exam, catalogue, before)
        assert alike(said) == ours, (before, exam)
        over += ours["told"] != adapter_says(exam, catalogue)["told"]
    assert over > 10


def _of_another(several: Sequence[Exam]) -> list[Exam]:
    """The exams as if they were of another newborn."""
    other = (Identifier(system="https://example.org/mrn", value="another"),)
    return [
        exam.model_copy(update={"newborn": exam.newborn.model_copy(update={"identifiers": other})})
        for exam in several
    ]


def test_four_digits_name_the_moments_since_birth() -> None:
    """None, one, or of several days, which are then asked; none and two in the nights when clocks change."""
    cases = {
        ("2340", "2026-02-28T21:12:00+01:00", "2026-03-01T08:30:00+01:00"): ["2026-02-28T23:40:00+01:00"],
        ("0210", "2026-02-27T21:12:00+01:00", "2026-03-01T08:30:00+01:00"): [
            "2026-02-28T02:10:00+01:00",
            "2026-03-01T02:10:00+01:00",
        ],
        ("0910", "2026-02-28T21:12:00+01:00", "2026-03-01T08:30:00+01:00"): [],
        ("2510", "2026-02-28T21:12:00+01:00", "2026-03-01T08:30:00+01:00"): [],
        ("0230", "2026-10-25T01:12:00+02:00", "2026-10-25T08:30:00+01:00"): [
            "2026-10-25T02:30:00+02:00",
            "2026-10-25T02:30:00+01:00",
        ],
        ("0230", "2026-03-28T21:12:00+01:00", "2026-03-29T08:30:00+02:00"): [],
    }
    program = f"const {{ momentsAt }} = await import({str(SCRIPT / 'moments.mjs')!r});"
    program += f"console.log(JSON.stringify({json.dumps(list(cases))}.map(one => momentsAt(...one))))"
    command = ["node", "--input-type=module", "-e", program]
    done = subprocess.run(
        command, capture_output=True, text=True, check=True, env={**os.environ, "TZ": "Europe/Berlin"}
    )
    assert json.loads(done.stdout) == list(cases.values())


def test_every_module_loads_by_itself() -> None:
    """All names that a module imports are there; only the one that begins needs a browser."""
    modules = sorted(path for path in SCRIPT.glob("*.mjs") if path.name != "main.mjs")
    program = "".join(f"await import({str(path)!r});" for path in modules)
    done = subprocess.run(["node", "--input-type=module", "-e", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert len(modules) > 40
