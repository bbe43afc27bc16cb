"""The catalogue's vital signs against what R4 fixes for them: code, units, category.

Sources: FHIR R4, Vital Signs (hl7.org/fhir/R4/observation-vitalsigns.html), the table of codes and units; and the
profiles and value sets of the official package hl7.fhir.r4.core 4.0.1.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue, Category
from tests.fhir_xml.official_package import files_of

# FHIR R4, observation-vitalsigns.html: profile, LOINC code, UCUM units.
TABLE = {
    "resprate": ("9279-1", {"/min"}),
    "heartrate": ("8867-4", {"/min"}),
    "oxygensat": ("2708-6", {"%"}),
    "bodytemp": ("8310-5", {"Cel", "[degF]"}),
    "bodyheight": ("8302-2", {"cm", "[in_i]"}),
    "headcircum": ("9843-4", {"cm", "[in_i]"}),
    "bodyweight": ("29463-7", {"g", "kg", "[lb_av]"}),
    "bp": ("85354-9", {"mm[Hg]"}),
}
BLOOD_PRESSURE = {"systolic": "8480-6", "diastolic": "8462-4"}
PANEL = "85353-1"
BASE = "http://hl7.org/fhir/StructureDefinition/"


@pytest.fixture(scope="module")
def official(fhir_package: Path) -> dict[str, Any]:
    """Profiles by name and value sets by canonical, of the official package."""
    wanted = {f"StructureDefinition-{name}.json": name for name in TABLE}
    found: dict[str, Any] = {}
    for name, content in files_of(fhir_package).items():
        if name in wanted:
            found[wanted[name]] = json.loads(content)
        elif name.startswith("ValueSet-ucum-"):
            value_set = json.loads(content)
            found[value_set["url"]] = value_set
    return found


def fixed_by(profile: dict[str, Any], official: dict[str, Any]) -> tuple[set[str], set[str]]:
    """The LOINC codes that a profile fixes, and the units that its quantities may have."""
    codes, units = set(), set()
    for element in profile["snapshot"]["element"]:
        if element["path"].endswith(".code.coding.code") and "fixedCode" in element:
            codes.add(element["fixedCode"])
        if element["path"].endswith("value[x].code"):
            if "fixedCode" in element:
                units.add(element["fixedCode"])
            elif "binding" in element:
                value_set = official[element["binding"]["valueSet"].partition("|")[0]]
                units |= {c["code"] for i in value_set["compose"]["include"] for c in i["concept"]}
    return codes, units


@pytest.mark.parametrize("name", TABLE)
def test_the_table_is_what_the_official_profiles_fix(name: str, official: dict[str, Any]) -> None:
    codes, units = fixed_by(official[name], official)
    code, allowed = TABLE[name]
    assert code in codes
    assert units == allowed


@pytest.mark.parametrize("name", TABLE)
def test_an_item_follows_its_row(name: str, catalogue: Catalogue) -> None:
    code, units = TABLE[name]
    (item,) = (item for item in catalogue.items.values() if item.profile == BASE + name)
    assert str(item.codes[0]).startswith(f"loinc {code}")
    assert catalogue.category(item) is Category.VITAL_SIGNS
    assert {item.unit, *item.kept_units} <= units


def test_no_item_has_a_vital_signs_code_without_its_profile(catalogue: Catalogue) -> None:
    by_code = {code: BASE + name for name, (code, _) in TABLE.items()}
    for item in catalogue.items.values():
        for code in item.codes:
            if code.system == "loinc" and code.code in by_code:
                assert item.profile == by_code[code.code], item.id


def test_oxygen_saturation_has_both_codes(catalogue: Catalogue) -> None:
    # FHIR R4, Vital Signs: 2708-6 must be there; 59408-5 (by pulse oximetry) may stand beside it.
    codes = [code.code for code in catalogue.items["oxygen_saturation"].codes if code.system == "loinc"]
    assert codes == ["2708-6", "59408-5"]


def test_blood_pressure_has_its_components(catalogue: Catalogue) -> None:
    item = catalogue.items["blood_pressure"]
    for component_id, code in BLOOD_PRESSURE.items():
        component = item.component(component_id)
        assert component is not None
        assert component.required
        assert component.codes[0].code == code


def test_the_panel_of_vital_signs_has_its_code(catalogue: Catalogue) -> None:
    region = catalogue.regions["vital_signs"]
    assert region.category is Category.VITAL_SIGNS
    assert [code.code for code in region.codes] == [PANEL]
