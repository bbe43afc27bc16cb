"""What a notebook shows of an exam and a report: every finding, nothing of who it is, and no text as markup."""

from __future__ import annotations

from io import StringIO

import pandas as pd

from adapter.exam import Exam, Finding
from adapter.problems import Layer, Problem, Report, Severity


def test_an_exam_shows_every_finding_and_not_who_it_is(every: list[Exam]) -> None:
    for exam in every[:12]:
        shown = exam._repr_html_()
        (table,) = pd.read_html(StringIO(shown), keep_default_na=False)
        assert table["item"].tolist() == [finding.item for finding in exam.findings]
        assert table["found"].astype(bool).tolist() == [f.not_examined is None for f in exam.findings]
        people = [exam.newborn.name, *(i.value for i in exam.newborn.identifiers)]
        assert not [one for one in people if one and one in shown]
        assert exam.details.id in shown


def test_no_text_is_taken_for_markup() -> None:
    text = "<script>alert(1)</script>"
    assert text not in Finding(item="cry", text=text)._repr_html_()
    report = Report([Problem(Severity.ERROR, Layer.CAPTURE, "rule", text, "right & well")])
    shown = report._repr_html_()
    assert text not in shown
    assert "right &amp; well" in shown
    assert "1 errors, 0 others" in shown
