"""The concepts of a site's own vocabularies.

The table CONCEPT here is invented but for its layout, that of the CDM 5.4 (OHDSI CommonDataModel,
``OMOP_CDMv5.4_Field_Level.csv``, table CONCEPT); ids above 2,000,000,000 are made up, in the range left to sites.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Finding
from adapter.write.omop import BadVocabulary, concepts_of, load_concepts
from adapter.write.omop.events import CdmRow, events
from adapter.write.tables import TabledExam

HEADING = (
    "concept_id	concept_name	domain_id	vocabulary_id	concept_class_id	standard_concept	concept_code	"
    "valid_start_date	valid_end_date	invalid_reason"
)
HEART_RATE = "8867-4"


def table(folder: Path, *rows: tuple[int, str, str, str, str, str, str]) -> Path:
    """Rows of id, name, domain, vocabulary, S or nothing, code, reason of being invalid."""
    lines = [HEADING]
    for number, name, domain, vocabulary, standard, code, invalid in rows:
        cells = (number, name, domain, vocabulary, "Class", standard, code, "19700101", "20991231", invalid)
        lines.append("\t".join(map(str, cells)))
    path = folder / "CONCEPT.csv"
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")
    return path


@pytest.fixture
def answer(catalogue: Catalogue) -> tuple[str, str, str]:
    """An item, one of its answers, and the SNOMED CT code of that, of which no concept is shipped."""
    shipped = load_concepts()
    for item in catalogue.items.values():
        for one in item.answers:
            for code in one.codes:
                if (
                    code.system == "snomed"
                    and shipped.find("snomed", code.code) is None
                    and item.sides.value == "none"
                ):
                    return item.id, one.id, code.code
    raise AssertionError("every answer has a concept")


def test_an_answer_has_the_concept_of_the_vocabulary(
    answer: tuple[str, str, str], every: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    item, answer_id, code = answer
    quoted = '5" name "quoted'  # the table has no quoting
    path = table(tmp_path, (2_000_000_001, quoted, "Condition", "SNOMED", "S", code, ""))
    concepts, checked = concepts_of(path, catalogue, load_concepts())
    exam = Exam(details=every[0].details, newborn=every[0].newborn, findings=(Finding(item=item, value=answer_id),))
    for given, wanted in ((load_concepts(), 0), (concepts, 2_000_000_001)):
        tabled = TabledExam(exam, catalogue)
        found = [e for e in events(tabled, given) if isinstance(e, CdmRow) and "value_as_concept_id" in e.cells]
        assert [e.cells["value_as_concept_id"] for e in found] == [wanted]
    (one,) = [c for c in checked if c.code == code]
    assert (one.verdict, one.name, one.domain) == ("new", quoted, "Condition")


def test_shipped_ids_are_proved(catalogue: Catalogue, tmp_path: Path) -> None:
    """One agrees, one has another id there, one is no standard concept, and one is not there at all."""
    path = table(
        tmp_path,
        (3027018, "Heart rate", "Measurement", "LOINC", "S", HEART_RATE, ""),
        (2_000_000_002, "Respiratory rate", "Measurement", "LOINC", "S", "9279-1", ""),
        (3020891, "Body temperature", "Measurement", "LOINC", "", "8310-5", ""),
        (3025315, "Body weight", "Measurement", "LOINC", "S", "29463-7", "D"),
        (2_000_000_003, "Not of ours", "Measurement", "LOINC", "S", "1-8", ""),
        (2_000_000_004, "Heart rate, of another vocabulary", "Measurement", "Local", "S", HEART_RATE, ""),
    )
    concepts, checked = concepts_of(path, catalogue, load_concepts())
    verdicts = {c.code: c.verdict for c in checked}
    assert [verdicts[c] for c in (HEART_RATE, "9279-1", "8310-5", "29463-7")] == [
        "agrees",
        "differs",
        "not standard",
        "not there",
    ]
    assert "1-8" not in verdicts
    ids = [concepts.id("loinc", c) for c in (HEART_RATE, "9279-1", "8310-5", "29463-7", "1-8")]
    assert ids == [3027018, 2_000_000_002, 0, 0, 0]
    assert concepts.id("operator", "<") == load_concepts().id("operator", "<")  # no vocabulary of codes has them


def test_what_a_code_maps_to_is_found_beside_it(catalogue: Catalogue, tmp_path: Path) -> None:
    path = table(
        tmp_path,
        (2_000_000_005, "Old rate", "Measurement", "LOINC", "", HEART_RATE, ""),
        (2_000_000_006, "New rate", "Measurement", "LOINC", "S", "0-0", ""),
        (2_000_000_007, "Maps to two", "Measurement", "LOINC", "", "9279-1", ""),
    )
    relations = ["concept_id_1\tconcept_id_2\trelationship_id\tvalid_start_date\tvalid_end_date\tinvalid_reason"]
    pairs = ((2_000_000_005, 2_000_000_006), (2_000_000_007, 2_000_000_006), (2_000_000_007, 2_000_000_005))
    relations += [f"{a}\t{b}\tMaps to\t19700101\t20991231\t" for a, b in pairs]
    (tmp_path / "CONCEPT_RELATIONSHIP.csv").write_text("\n".join([*relations, ""]), encoding="utf-8")
    concepts, _ = concepts_of(path, catalogue, load_concepts())
    assert (concepts.id("loinc", HEART_RATE), concepts.id("loinc", "9279-1")) == (2_000_000_006, 0)


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"a,b\n1,2\n", "no column concept_id"),
        (b"", "no column"),
        (HEADING.encode() + b"\nx\ty\tz\tLOINC\tc\tS\t8867-4\td\te\t\n", "no number"),
        (b"\xff\xfe\x00", "no "),
    ],
)
def test_what_is_no_such_table_is_told(content: bytes, word: str, catalogue: Catalogue, tmp_path: Path) -> None:
    (tmp_path / "CONCEPT.csv").write_bytes(content)
    with pytest.raises(BadVocabulary, match=word):
        concepts_of(tmp_path / "CONCEPT.csv", catalogue, load_concepts())
    with pytest.raises(BadVocabulary, match="cannot be read"):
        concepts_of(tmp_path / "none.csv", catalogue, load_concepts())
