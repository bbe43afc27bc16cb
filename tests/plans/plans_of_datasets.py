"""Column plans for open datasets of real births. Neither dates nor places stand in them: constants are invented."""

from __future__ import annotations

_FRAME = """
plan: 1
missing: [NA]
exam:
  id: {{row_number: true, prefix: {name}-}}
  kind: birth
  started: "2000-01-01T12:30:00+00:00"
  examiners: [{{role: other, name: Registry clerk}}]
newborn:
  identifiers: [{{system: {name}, value: {{row_number: true}}}}]
  sex: {sex}
  birth_time: "2000-01-01T12:00:00+00:00"
  gestation: {gestation}
findings:
- {{item: birth_weight, value: {{column: {weight}}}, unit: {unit}}}
"""


def plan(name: str, *, sex: str, weight: str, unit: str, gestation: str = "null") -> str:
    """The YAML of a plan for one dataset of one birth a row."""
    return _FRAME.format(name=name, sex=sex, weight=weight, unit=unit, gestation=gestation)


BABIES = plan("babies", sex="unknown", weight="bwt", unit="oz", gestation="{total_days: {column: gestation}}")
NCBIRTHS = plan("ncbirths", sex="{column: gender}", weight="weight", unit="lb", gestation="{weeks: {column: weeks}}")
BIRTHWT = plan("birthwt", sex="unknown", weight="bwt", unit="g")
STAT2 = plan(
    "stat2-ncbirths",
    sex="{column: Sex, map: {1: male, 2: female}}",
    weight="BirthWeightOz",
    unit="oz",
    gestation="{weeks: {column: Weeks}}",
)
