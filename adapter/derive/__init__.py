"""Pure computations on an exam: age, computed findings, what each finding means, what must be told."""

from adapter.derive.age import age_hours, gestation_weeks, made_at
from adapter.derive.computed import Computed, computed_findings, score_total
from adapter.derive.judgement import (
    Judgement,
    applicable,
    component_judgement,
    component_numbers,
    judge,
    number,
    worst,
)
from adapter.derive.tell import Tell, in_words, tell_list

__all__ = [
    "Computed",
    "Judgement",
    "Tell",
    "age_hours",
    "applicable",
    "component_judgement",
    "component_numbers",
    "computed_findings",
    "gestation_weeks",
    "in_words",
    "judge",
    "made_at",
    "number",
    "score_total",
    "tell_list",
    "worst",
]
