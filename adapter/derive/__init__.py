"""Pure computations on an exam: ages, sizes, scores, screens, what each finding means, what must be told."""

from adapter.derive.age import age_hours, age_in_words, gestation_weeks, made_at, postmenstrual_days, term_class
from adapter.derive.changes import (
    Change,
    ChangeKind,
    Changes,
    NotOneNewborn,
    Trend,
    changes,
    changes_since,
    growth_series,
)
from adapter.derive.completeness import NotRecorded, completeness
from adapter.derive.computed import computed_findings, judged_findings, withheld
from adapter.derive.finding import FindingView
from adapter.derive.judgement import (
    Judgement,
    component_judgement,
    expected_range,
    judge,
    not_judged,
    worst,
)
from adapter.derive.made import Computed, Earlier, Maker, Withheld
from adapter.derive.makers import makers
from adapter.derive.numbers import component_numbers, number
from adapter.derive.outcome import Standing
from adapter.derive.scores import missing_signs, score_total
from adapter.derive.series import SeriesLine, sections, standing_in_words
from adapter.derive.tell import Tell, flag_in_words, section_key, tell_list
from adapter.derive.told import Told, line_ids, other_in_words, told_in_words, told_of
from adapter.derive.view import series_list, under_lines, unjudged
from adapter.derive.words import in_words, span_in_words, value_in_words

__all__ = [
    "Change",
    "ChangeKind",
    "Changes",
    "Computed",
    "Earlier",
    "FindingView",
    "Judgement",
    "Maker",
    "NotOneNewborn",
    "NotRecorded",
    "SeriesLine",
    "Standing",
    "Tell",
    "Told",
    "Trend",
    "Withheld",
    "age_hours",
    "age_in_words",
    "changes",
    "changes_since",
    "completeness",
    "component_judgement",
    "component_numbers",
    "computed_findings",
    "expected_range",
    "flag_in_words",
    "gestation_weeks",
    "growth_series",
    "in_words",
    "judge",
    "judged_findings",
    "line_ids",
    "made_at",
    "makers",
    "missing_signs",
    "not_judged",
    "number",
    "other_in_words",
    "postmenstrual_days",
    "score_total",
    "section_key",
    "sections",
    "series_list",
    "span_in_words",
    "standing_in_words",
    "tell_list",
    "term_class",
    "told_in_words",
    "told_of",
    "under_lines",
    "unjudged",
    "value_in_words",
    "withheld",
    "worst",
]
