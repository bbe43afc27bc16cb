from __future__ import annotations

import io
import json
import tarfile
from pathlib import Path

import pytest

from adapter.fhir import definitions
from adapter.fhir.definitions import definition, primitive, value_set
from adapter.fhir.definitions.generate import generate
from adapter.fhir.definitions.package import read_package


def test_the_table_is_what_the_official_package_gives(fhir_package: Path) -> None:
    for name, content in generate(fhir_package).items():
        assert Path(definitions.__file__).with_name(name).read_bytes() == content, name


def test_every_type_named_in_the_table_is_in_the_table() -> None:
    assert len(set(definitions.type_names())) == len(definitions.type_names())
    for name in definitions.type_names():
        for element in definition(name).elements:
            for used in element.types:
                assert used == "Resource" or used in definitions.primitive_names() or definition(used)


def test_no_prose_of_the_standard_is_shipped() -> None:
    facts = {
        "name",
        "min",
        "max",
        "types",
        "targets",
        "binding",
        "extensible",
        "profiles",
        "representation",
        "modifier",
    }
    for name in (definitions.DATA_FILE, definitions.MORE_FILE):
        table = json.loads(Path(definitions.__file__).with_name(name).read_bytes())
        found = {key for entry in table["types"].values() for element in entry["elements"] for key in element}
        assert found <= facts
        for constraint in (c for constraints in table["constraints"].values() for c in constraints):
            key, severity, expression = constraint
            assert severity in ("error", "warning")
            assert key
            assert expression


@pytest.mark.parametrize(
    ("type_name", "names"),
    [
        # FHIR R4, Data Types (datatypes.html#Quantity) and Narrative (narrative.html): the element lists
        ("Quantity", ["id", "extension", "value", "comparator", "unit", "system", "code"]),
        ("Narrative", ["id", "extension", "status", "div"]),
        # FHIR R4, Observation (observation.html), resource content
        (
            "Observation.component",
            [
                "id",
                "extension",
                "modifierExtension",
                "code",
                "value[x]",
                "dataAbsentReason",
                "interpretation",
                "referenceRange",
            ],
        ),
    ],
)
def test_elements_stand_in_the_standards_order(type_name: str, names: list[str]) -> None:
    assert [element.name for element in definition(type_name).elements] == names


def test_an_element_is_found_by_its_name_and_by_a_choice() -> None:
    observation = definition("Observation")
    value = observation.element("value[x]")
    assert value is not None
    assert value.is_choice
    assert observation.element("valueQuantity") is value
    assert observation.element("valueAddress") is None
    assert observation.properties["valueCodeableConcept"].type == "CodeableConcept"


def test_cardinality_targets_bindings_and_content_references() -> None:
    observation = definition("Observation")
    status, member, subject = (observation.element(name) for name in ("status", "hasMember", "subject"))
    assert status is not None
    assert member is not None
    assert subject is not None
    assert (status.min, status.max, status.is_array) == (1, 1, False)
    assert (member.min, member.max, member.is_array) == (0, None, True)
    assert subject.targets == ("Device", "Group", "Location", "Patient")
    link = definition("Bundle.entry").element("link")
    assert link is not None
    assert link.types == ("Bundle.link",)
    codes = value_set(status.binding)
    assert codes is not None
    # FHIR R4, code system http://hl7.org/fhir/observation-status
    assert codes.codes == {
        "registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown"
    }  # fmt: skip


def test_value_sets_that_the_package_cannot_enumerate_are_none() -> None:
    assert value_set("http://hl7.org/fhir/ValueSet/mimetypes|4.0.1") is None
    assert value_set("") is None


def test_an_unknown_type_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        definition("Observation.nothing")
    with pytest.raises(KeyError):
        primitive("Quantity")


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("id", "a-1.B", "a_1"),
        ("instant", "2024-02-29T10:00:00.120+05:30", "2024-02-29T10:00:00"),
        ("date", "2024-02", "2024-13"),
        ("unsignedInt", "0", "-1"),
        ("positiveInt", "1", "0"),
        ("string", "no-break\u00a0space", "\x0b"),
    ],
)
def test_regular_expressions_of_primitives(name: str, good: str, bad: str) -> None:
    pattern = primitive(name).pattern
    assert pattern is not None
    assert pattern.fullmatch(good)
    assert not pattern.fullmatch(bad)


def test_another_package_is_refused(tmp_path: Path, fhir_package: Path) -> None:
    other = tmp_path / "other.tgz"
    with tarfile.open(other, "w:gz") as archive:
        content = b'{"name": "hl7.fhir.r5.core", "version": "5.0.0"}'
        info = tarfile.TarInfo("package/package.json")
        info.size = len(content)
        archive.addfile(info, io.BytesIO(content))
    with pytest.raises(SystemExit, match=r"5\.0\.0 found"):
        generate(other)
    assert "StructureDefinition-Observation.json" in dict(read_package(fhir_package))
