"""Our validator against the standard's own validation engine, on a corpus of good and bad resources.

The engine: org.hl7.fhir.validation as HAPI FHIR 7.6.1 packs it, with the R4 4.0.1 definitions (``judge.py``). Its
errors are kept in ``verdicts.ndjson``; the tests marked ``reference`` have it judge again.
"""

from __future__ import annotations

import pytest
from agreement import TABLE, Agreement, compare, corpus, explanations, judged_anew, table, verdicts
from corpus import CORPUS, write

from adapter.validate import validate
from drawn import usual

#: share of the judge's errors that must be found at their place
WANTED = 0.98


@pytest.fixture(scope="module")
def agreement() -> Agreement:
    return compare(corpus(), verdicts())


def test_the_corpus_is_what_its_maker_makes() -> None:
    assert CORPUS.read_bytes() == write()


def test_the_corpus_is_large_and_breaks_every_rule_of_its_list() -> None:
    cases = corpus()
    assert len(cases) >= 400
    assert len({case.name for case in cases}) == len(cases)
    for case in cases:
        found = {problem.rule for problem in validate(case.resource)}
        assert case.rule in found or case.rule in ("", "?"), case.name


def test_no_false_alarm(agreement: Agreement) -> None:
    """Valid by construction or by the judge: no error of ours, unless an explanation says why we are right."""
    explained = explanations()["ours alone"]
    assert set(agreement.ours_alone) == set(explained)
    for case in corpus():
        if case.rule == "":
            assert validate(case.resource).errors == [], case.name


def test_the_judges_errors_are_found_at_their_place(agreement: Agreement) -> None:
    assert agreement.errors > 500
    assert agreement.found / agreement.errors >= WANTED
    assert set(agreement.overlooked) == set(explanations()["overlooked"])


def test_the_table_is_up_to_date(agreement: Agreement) -> None:
    assert TABLE.read_text() == table(agreement)


@pytest.mark.reference
@pytest.mark.usefixtures("engine")
def test_the_judge_says_what_was_kept() -> None:
    """Of a third of the cases; of all in the profile ``thorough``."""
    asked = list(zip(corpus(), verdicts(), strict=True))[:: 3 if usual() else 1]
    for (case, kept), now in zip(asked, judged_anew(case for case, _ in asked), strict=True):
        assert now == kept, case.name
