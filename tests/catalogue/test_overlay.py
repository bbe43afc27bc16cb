"""A site's folder over the shipped catalogue: it replaces, adds and keeps, and the shipped one stays as it was."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.lint import lint
from adapter.exam import Identifier, Quantity, Urgency

SITE = """
version: "2026.11-ward-3"
canonical: https://ward.example.org/fhir
identifier_systems: {mrn: "https://ward.example.org/mrn"}
policy: {name: Invented ward policy, date: "2026-12-01"}
"""
REGION = """
region: skin
items:
- id: skin_colour
  label: Colour of the skin
  answers:
  - {id: acrocyanosis, urgency: tell}
- id: own_mark
  position: 9001
  disturbance: 1
  label: Invented mark
  type: choice
  no_standard_code: Invented for a test.
  answers:
  - {id: no, label: "No", meaning: expected}
  - {id: yes, label: "Yes", meaning: variant}
  sources: [CP]
"""


@pytest.fixture
def ward(tmp_path: Path) -> Catalogue:
    (tmp_path / "regions").mkdir()
    (tmp_path / "site.yaml").write_text(SITE)
    (tmp_path / "regions" / "skin.yaml").write_text(REGION)
    (tmp_path / "reasons.yaml").write_text("- {id: night_shift, label: Left to sleep, absent: not-performed}\n")
    return load_catalogue(tmp_path)


def test_it_is_clean(ward: Catalogue) -> None:
    assert [str(problem) for problem in lint(ward)] == []


def test_what_is_replaced_and_what_is_kept(ward: Catalogue, catalogue: Catalogue) -> None:
    item, shipped = ward.items["skin_colour"], catalogue.items["skin_colour"]
    assert item.label == "Colour of the skin"
    answer, before = item.answer("acrocyanosis"), shipped.answer("acrocyanosis")
    assert answer is not None
    assert before is not None
    assert answer.urgency is Urgency.TELL
    assert before.urgency is Urgency.NONE
    assert (answer.label, answer.meaning) == (before.label, before.meaning)
    assert [a.id for a in item.answers] == [a.id for a in shipped.answers]
    assert item.codes == shipped.codes


def test_what_is_added(ward: Catalogue, catalogue: Catalogue) -> None:
    assert [a.id for a in ward.items["own_mark"].answers] == ["no", "yes"]  # words, not booleans
    assert "night_shift" in ward.reasons
    assert set(ward.items) - set(catalogue.items) == {"own_mark"}
    assert "own_mark" not in catalogue.items


def test_settings(ward: Catalogue, catalogue: Catalogue) -> None:
    assert ward.settings.version == "2026.11-ward-3"
    assert ward.uri("item") == "https://ward.example.org/fhir/CodeSystem/exam-item"
    assert ward.uri("loinc") == "http://loinc.org"
    assert ward.settings.policy.name == "Invented ward policy"
    assert ward.resolve(Identifier(system="mrn", value="1")).system == "https://ward.example.org/mrn"
    assert ward.resolve(Identifier(system="urn:x:1", value="1")).system == "urn:x:1"
    assert ward.namespace != catalogue.namespace
    assert ward.settings.snomed == "all"


def test_a_site_may_verify_codes_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "regions").mkdir()
    own = REGION.replace(
        "  no_standard_code: Invented for a test.\n", "  codes: [loinc 9999999-7 |Invented| equivalent]\n"
    )
    (tmp_path / "regions" / "skin.yaml").write_text(own)
    header = "system,code,display,kind,status,global_patient_set,evidence,dimension\n"
    (tmp_path / "codes.csv").write_text(header + "loinc,9999999-7,Invented,observable,verified,,test,\n")
    assert [str(problem) for problem in lint(load_catalogue(tmp_path))] == []


def test_a_site_may_add_a_unit(tmp_path: Path) -> None:
    (tmp_path / "units.yaml").write_text(
        "- {ucum: m, label: metre, dimension: length, spellings: [metre], numerator: 100, places: 4}\n"
    )
    header = "system,code,display,kind,status,global_patient_set,evidence,dimension\n"
    (tmp_path / "codes.csv").write_text(header + "ucum,m,,unit,verified,,test,length\n")
    site = load_catalogue(tmp_path)
    assert [str(problem) for problem in lint(site)] == []
    assert site.units.convert(Quantity(value=Decimal("0.505"), unit="metre"), "cm") == Decimal("50.5")
