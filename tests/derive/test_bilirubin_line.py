"""A bilirubin that no line judges is a line of its own: compare with the chart, and the hour of the sample.

Hour tables are the site's (NICE CG98 and Kemper 2022 both judge by the hour of the sample).
"""

from __future__ import annotations

import pytest
from scenes import read, said, scene, tells

from adapter.exam import Urgency


@pytest.mark.parametrize(
    ("finding", "hours"),
    [
        (read("serum_bilirubin", "12", "mg/dL"), "60"),
        (read("serum_bilirubin", "205", "umol/L"), "60"),
        (read("transcutaneous_bilirubin", "9", "mg/dL", site="sternum"), "60"),
    ],
)
@pytest.mark.parametrize("kind", ["shift", "discharge"])
def test_it_is_to_be_compared_now(finding: object, hours: str, kind: str) -> None:
    lines = [one for one in tells(scene(finding, hours=hours, kind=kind)) if one.rule.endswith(".not_judged")]  # type: ignore[arg-type]
    (line,) = lines
    assert "measured, not judged" in line.words
    assert "compare with your chart now" in line.reason
    assert "60.0 h" in line.reason
    assert line.to_do
    assert line.urgency is (Urgency.TELL if kind == "discharge" else Urgency.NONE)


def test_one_that_is_judged_is_told_and_no_more() -> None:
    lines = tells(scene(read("serum_bilirubin", "28", "mg/dL"), hours="60"))
    assert [line.urgency for line in lines] == [Urgency.TELL_NOW]


def test_nothing_measured_is_nothing_to_compare() -> None:
    assert not [one for one in tells(scene(said("jaundice", "none_seen"))) if one.rule.endswith("not_judged")]
