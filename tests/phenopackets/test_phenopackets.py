"""Phenopackets, read by the official package of GA4GH (``phenopackets`` 2.0.2 of PyPI, made from the schema's
protobuf definitions), whose JSON reader refuses every field and value that the schema does not have."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from google.protobuf.json_format import Parse, ParseError

from adapter.catalogue import Catalogue
from adapter.derive.every_use import every_exam
from adapter.exam import Exam, Finding, Quantity, Side
from adapter.fhir.json import dumps
from adapter.run import run
from adapter.run.extract import Extract
from adapter.write.phenopackets import _more, excluded_by, phenopacket, with_metadata
from adapter.write.tables import TabledExam
from phenopackets import Phenopacket

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
MADE = datetime(2026, 11, 28, tzinfo=UTC)


def packet(catalogue: Catalogue, *findings: Finding) -> Phenopacket:
    base = every_exam(catalogue)[0]
    exam = Exam(details=base.details, newborn=base.newborn, findings=findings)
    return Parse(dumps(with_metadata(phenopacket(TabledExam(exam, catalogue)), catalogue, MADE)), Phenopacket())


def told(found: Phenopacket) -> list[tuple[str, bool, list[str]]]:
    return [(one.type.id, one.excluded, [m.id for m in one.modifiers]) for one in found.phenotypic_features]


def test_every_exam_is_one_that_the_official_package_reads(every: list[Exam], catalogue: Catalogue) -> None:
    terms = {code.code: code.display for _, code in catalogue.codes() if code.system == "hpo"}
    seen = set()
    for exam in every:
        made = with_metadata(phenopacket(TabledExam(exam, catalogue)), catalogue, MADE)
        read = Parse(dumps(made), Phenopacket())
        assert read.meta_data.phenopacket_schema_version.startswith("2.")
        assert {one.namespace_prefix for one in read.meta_data.resources} == {"HP"}
        for one in read.phenotypic_features:
            assert terms[one.type.id] == one.type.label
            assert one.excluded or one.onset.age_range.start.iso8601duration == "P0D"
            seen.add(one.type.id)
    assert len(seen) > 100
    with pytest.raises(ParseError):
        Parse(dumps({**made, "phenotypes": []}), Phenopacket())


def test_a_side_is_a_modifier_and_the_onset_no_later_than_it_was_seen(catalogue: Catalogue) -> None:
    base = every_exam(catalogue)[0]
    seen = base.newborn.birth_time + timedelta(hours=26, minutes=5)
    item = next(
        i
        for i in catalogue.items.values()
        if i.sides.value == "each"
        and any(c.system == "hpo" and c.fit == "equivalent" for a in i.answers for c in a.codes)
    )
    answer = next(a for a in item.answers if any(c.system == "hpo" and c.fit == "equivalent" for c in a.codes))
    found = packet(catalogue, Finding(item=item.id, value=answer.id, side=Side.LEFT, observed_at=seen))
    (feature,) = found.phenotypic_features
    assert [m.label for m in feature.modifiers] == ["Left"]
    assert feature.onset.age_range.end.iso8601duration == "PT26H5M"
    assert not feature.excluded


def test_excluded_only_where_none_was_seen_of_that_very_finding(catalogue: Catalogue) -> None:
    none = Finding(item="murmur", value="none_heard")
    assert told(packet(catalogue, none)) == [("HP:0030148", True, [])]
    loud = Finding(item="murmur", value="loud_or_thrill", site="heart_apex")
    assert told(packet(catalogue, none, loud)) == [("HP:0030148", False, [])]
    for finding in (
        Finding(item="murmur", not_examined="crying"),
        Finding(item="murmur", text="not sure"),
        Finding(item="abnormal_skin_findings", value="none_seen"),  # of a list
        Finding(item="heart_rate", value=Quantity(value=Decimal(140), unit="/min")),
    ):
        assert told(packet(catalogue, finding)) == []
    assert told(packet(catalogue)) == []


def test_what_says_none_is_an_answer_that_says_so(catalogue: Catalogue) -> None:
    """And its term one of the item's other answers."""
    for item_id, answers in _more()["excluded"].items():
        for answer_id, term in answers.items():
            item = catalogue.items[item_id]
            answer = item.answer(answer_id)
            assert answer is not None
            assert answer.meaning.value == "expected"
            code = excluded_by(item, answer_id)
            assert code is not None
            assert code.code == term


def test_an_extract_of_phenopackets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STUDY_KEY", "an invented key for tests only, 32 bytes at least")
    run(Extract(("phenopackets",)), [CAPTURES], tmp_path / "named", jobs=1)
    released = Extract(("phenopackets",), policy="safe-harbor", key_env="STUDY_KEY", rare="tell")
    run(released, [CAPTURES], tmp_path / "released", jobs=1)
    for name, dated in (("named", True), ("released", False)):
        lines = (tmp_path / name / "phenopackets" / "phenopackets.ndjson").read_bytes().splitlines()
        assert len(lines) == 13
        read = [Parse(line, Phenopacket()) for line in lines]
        assert all(one.subject.HasField("date_of_birth") == dated for one in read)
        assert all(json.loads(line)["metaData"]["created"].endswith("T00:00:00Z") for line in lines)
