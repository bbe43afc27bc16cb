"""Profiles of packages: HL7's own vital signs profiles against the kept word of the reference judge, and a package
written here for what those do not use. FHIR R4, Profiling (profiling.html) and ElementDefinition."""

from __future__ import annotations

import io
import json
import tarfile
from pathlib import Path
from typing import Any

import pytest
from sample_resources import Resource, blood_pressure, bundle, changed, finding, patient, vital

from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.problems import Layer, Severity
from adapter.validate import PackageError, Validator, load_packages
from adapter.validate.packages import Packages
from tests.fhir_xml.official_package import files_of

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
SITE = "http://site.example.org/fhir"
STANDARD = "http://hl7.org/fhir/StructureDefinition"
VITAL_SIGNS = (
    *("vitalsigns", "heartrate", "resprate", "bodytemp", "oxygensat", "bodyweight", "bodyheight", "headcircum"),
    *("bmi", "bp", "vitalspanel"),
)


@pytest.fixture(scope="session")
def vital_signs(fhir_package: Path, tmp_path_factory: pytest.TempPathFactory) -> Validator:
    """HL7's vital signs profiles of R4 4.0.1 as a site's package."""
    folder = tmp_path_factory.mktemp("vital-signs")
    for name, content in files_of(fhir_package).items():
        if name.startswith("ValueSet-ucum-") or name in {f"StructureDefinition-{v}.json" for v in VITAL_SIGNS}:
            (folder / name).write_bytes(content)
    return Validator(layers=[Layer.PROFILES], packages=load_packages([folder]))


def from_packages(validator: Validator, resource: Resource) -> set[tuple[str, str]]:
    found = validator.validate(resource).errors
    return {(p.rule, p.where) for p in found if p.section.startswith("profile ")}


def test_hl7s_own_profiles_as_the_reference_judge_applies_them(vital_signs: Validator) -> None:
    """Every Observation of the corpus that claims one: an error of ours where the engine has one, else none."""
    lines = zip(
        (REFERENCE / "corpus.ndjson").read_bytes().splitlines(),
        (REFERENCE / "verdicts.ndjson").read_bytes().splitlines(),
        strict=True,
    )
    checked = 0
    for line, said in lines:
        case = loads(line)
        claims = case["resource"].get("meta", {}).get("profile", [""])
        if case["resource"].get("resourceType") == "Observation" and claims[0].startswith(STANDARD):
            assert bool(from_packages(vital_signs, case["resource"])) == bool(loads(said)), case["name"]
            checked += 1
    assert checked >= 15


@pytest.mark.parametrize(
    ("resource", "profile"),
    [(blood_pressure(), "bp"), (vital(), "bodyweight"), (vital("8867-4", "140", "/min"), "heartrate"),
     (vital("8310-5", "36.8", "Cel"), "bodytemp"), (vital("9843-4", "35", "cm"), "vitalsigns")],
)  # fmt: skip
def test_hl7s_own_profiles_raise_no_false_alarm(vital_signs: Validator, resource: Resource, profile: str) -> None:
    claimed = {**resource, "meta": {"profile": [f"{STANDARD}/{profile}"]}}
    assert from_packages(vital_signs, claimed) == set()


# --- a package of one's own --------------------------------------------------------------------------------


def profile(name: str, type_name: str, *elements: Resource, base: str = "", **more: Any) -> Resource:
    """A profile as a differential."""
    return {
        "resourceType": "StructureDefinition",
        "url": f"{SITE}/StructureDefinition/{name}",
        "name": name,
        "status": "draft",
        "kind": "resource",
        "abstract": False,
        "type": type_name,
        "baseDefinition": base or f"{STANDARD}/{type_name}",
        "derivation": "constraint",
        "differential": {"element": list(elements)},
        **more,
    }


def sliced(path: str, kind: str, discriminator: str, **more: Any) -> Resource:
    slicing = {"discriminator": [{"type": kind, "path": discriminator}], "rules": "open", **more}
    return {"id": path, "path": path, "slicing": slicing}


def one(identifier: str, **more: Any) -> Resource:
    """An element of a differential, placed by its id."""
    path = ".".join(step.partition(":")[0] for step in identifier.split("."))
    last = identifier.rpartition(".")[2]
    named = {"sliceName": last.partition(":")[2]} if ":" in last else {}
    return {"id": identifier, "path": path, **named, **more}


def reference_to(*names: str) -> list[Resource]:
    return [{"code": "Reference", "targetProfile": [n if "/" in n else f"{STANDARD}/{n}" for n in names]}]


WARD, NAMED = f"{SITE}/StructureDefinition/Ward", f"{SITE}/StructureDefinition/NamedPatient"
DEFINITIONS: list[Resource] = [
    profile(
        "Ward", "Extension",
        one("Extension.url", fixedUri=WARD),
        one("Extension.value[x]", min=1, type=[{"code": "string"}], maxLength=8),
        type="Extension", kind="complex-type", context=[{"type": "element", "expression": "Patient"}],
    ),
    profile(
        "Newborn", "Patient",
        one("Patient", constraint=[{"key": "nb-1", "severity": "error", "human": "born before 2100",
                                    "expression": "birthDate < @2100-01-01"},
                                   {"key": "nb-2", "severity": "warning", "human": "one name",
                                    "expression": "name.count() = 1"},
                                   {"key": "nb-3", "severity": "error", "human": "odd",
                                    "expression": "sortBy(name)"}]),
        sliced("Patient.extension", "value", "url"),
        one("Patient.extension:ward", min=1, max="1", type=[{"code": "Extension", "profile": [WARD]}]),
        sliced("Patient.identifier", "value", "system"),
        one("Patient.identifier:mrn", min=1, max="1"),
        one("Patient.identifier:mrn.system", min=1, fixedUri=f"{SITE}/mrn"),
        one("Patient.identifier:mrn.value", min=1),
        one("Patient.birthDate", min=1, mustSupport=True),
        one("Patient.communication", mustSupport=True),
        one("Patient.telecom", max="0"),
        one("Patient.maritalStatus", binding={"strength": "extensible", "valueSet": f"{SITE}/ValueSet/colours"}),
        one("Patient.generalPractitioner", type=reference_to("Organization")),
    ),
    profile("TwinNewborn", "Patient", one("Patient.multipleBirth[x]", min=1, type=[{"code": "integer"}]),
            base=f"{SITE}/StructureDefinition/Newborn"),
    profile("NamedPatient", "Patient", one("Patient.name", min=1)),
    profile(
        "Look", "Observation",
        sliced("Observation.category", "pattern", "$this", rules="closed"),
        one("Observation.category:exam", min=1,
            patternCodeableConcept={"coding": [{"system": f"{SITE}/kinds", "code": "exam"}]}),
        one("Observation.value[x]", type=[{"code": "CodeableConcept"}],
            binding={"strength": "required", "valueSet": f"{SITE}/ValueSet/colours"}),
        sliced("Observation.component", "exists", "dataAbsentReason"),
        one("Observation.component:answered", min=1),
        one("Observation.component:answered.dataAbsentReason", max="0"),
        one("Observation.component:skipped", max="1"),
        one("Observation.component:skipped.dataAbsentReason", min=1),
        one("Observation.subject", type=reference_to(NAMED, "Group")),
        sliced("Observation.hasMember", "profile", "resolve()"),
        one("Observation.hasMember:named", max="1", type=reference_to(f"{SITE}/StructureDefinition/Look")),
    ),
    profile(
        "Note", "Observation",
        sliced("Observation.value[x]", "type", "$this", rules="closed"),
        one("Observation.value[x]:valueString", min=1, type=[{"code": "string"}], maxLength=5),
        one("Observation.component", max="0"),
    ),
    {"resourceType": "ValueSet", "url": f"{SITE}/ValueSet/colours", "status": "draft",
     "compose": {"include": [{"system": f"{SITE}/colours"}]}},
    {"resourceType": "CodeSystem", "url": f"{SITE}/colours", "status": "draft", "content": "complete",
     "concept": [{"code": "pink", "concept": [{"code": "rose"}]}, {"code": "blue"}]},
]  # fmt: skip


def archive(path: Path, resources: list[Resource]) -> Path:
    """An npm-style package."""
    with tarfile.open(path, "w:gz") as packed:
        manifest = {"name": "site", "version": "1.0.0"}
        for number, content in enumerate([manifest, *resources]):
            data = json.dumps(content).encode()
            info = tarfile.TarInfo("package/package.json" if not number else f"package/x{number}.json")
            info.size = len(data)
            packed.addfile(info, io.BytesIO(data))
    return path


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Validator:
    path = archive(tmp_path_factory.mktemp("site") / "site.tgz", DEFINITIONS)
    return Validator(packages=load_packages([path]))


def claiming(name: str, resource: Resource) -> Resource:
    return {**resource, "meta": {"profile": [f"{SITE}/StructureDefinition/{name}"]}}


def newborn() -> Resource:
    made = claiming("Newborn", patient())
    made["extension"] = [
        {"url": WARD, "valueString": "3 East"},
        {"url": "http://example.org/other", "valueCode": "x"},
    ]
    made["identifier"].append({"system": f"{SITE}/mrn", "value": "B-1"})
    return made


def look() -> Resource:
    made = claiming("Look", changed(finding(), "valueString", ...))
    made["category"] = [{"coding": [{"system": f"{SITE}/kinds", "code": "exam", "display": "Exam"}]}]
    made["valueCodeableConcept"] = {"coding": [{"system": f"{SITE}/colours", "code": "rose"}]}
    return made


def note() -> Resource:
    return claiming("Note", changed(finding(), "component", ...))


COLOURS = {"coding": [{"system": f"{SITE}/colours", "code": "green"}]}
BROKEN: list[tuple[Resource, str, Any, str, str]] = [
    (newborn(), "extension", [newborn()["extension"][1]], "profile-cardinality", "Patient.extension"),
    (newborn(), "extension.0.valueString", "3 East, bed 7", "profile-length", "Patient.extension[0].valueString"),
    (newborn(), "extension.0", {"url": WARD, "valueCode": "x"}, "profile-type", "Patient.extension[0].valueCode"),
    (newborn(), "identifier.1.system", "http://example.org/x", "profile-cardinality", "Patient.identifier"),
    (newborn(), "identifier.1.value", ..., "profile-cardinality", "Patient.identifier[1].value"),
    (newborn(), "birthDate", "2101", "nb-1", "Patient"),
    (newborn(), "telecom", [{"system": "phone", "value": "1"}], "profile-cardinality", "Patient.telecom"),
    (newborn(), "generalPractitioner", [{"reference": "Practitioner/1"}], "profile-target",
     "Patient.generalPractitioner[0].reference"),
    (claiming("TwinNewborn", newborn()), "multipleBirthInteger", 2, "", ""),
    (claiming("TwinNewborn", newborn()), "active", True, "profile-cardinality", "Patient.multipleBirth"),
    (claiming("TwinNewborn", {**newborn(), "multipleBirthInteger": 2}), "telecom",
     [{"system": "phone", "value": "1"}], "profile-cardinality", "Patient.telecom"),
    (newborn(), "contact.0.extension", [{"url": WARD, "valueString": "3 East"}], "extension-context",
     "Patient.contact[0].extension[0]"),
    (look(), "extension", [{"url": WARD, "valueInteger": 3}], "profile-type",
     "Observation.extension[0].valueInteger"),
    (look(), "category.0.coding.0.code", "other", "profile-slice", "Observation.category[0]"),
    (look(), "valueCodeableConcept", COLOURS, "profile-binding", "Observation.valueCodeableConcept"),
    (look(), "component.0", {"code": {"text": "x"}, "dataAbsentReason": {"text": "x"}}, "profile-cardinality",
     "Observation.component"),
    (look(), "subject.reference", "Device/1", "profile-target", "Observation.subject.reference"),
    (note(), "valueString", "longer", "profile-length", "Observation.valueString"),
    (changed(note(), "valueString", ...), "valueBoolean", True, "profile-slice", "Observation.valueBoolean"),
    (claiming("Note", patient()), "active", True, "profile-type", "Patient"),
]  # fmt: skip


@pytest.mark.parametrize("resource", [newborn(), look(), note()], ids=lambda r: r["meta"]["profile"][0])
def test_what_meets_the_profile_has_no_error(site: Validator, resource: Resource) -> None:
    assert site.validate(resource).errors == []


@pytest.mark.parametrize(("resource", "path", "value", "rule", "where"), BROKEN)
def test_one_broken_resource_a_rule(
    site: Validator, resource: Resource, path: str, value: Any, rule: str, where: str
) -> None:
    before = from_packages(site, resource)
    found = from_packages(site, changed(resource, path, value))
    if rule:
        assert (rule, where) in found
        assert (rule, where) not in before or path == "active"
    else:
        assert before
        assert found == set()


def test_wishes_and_what_cannot_be_checked_are_told(site: Validator) -> None:
    found = {(p.rule, p.severity) for p in site.validate({**newborn(), "name": [{"text": "a"}, {"text": "b"}]})}
    assert ("nb-2", Severity.WARNING) in found
    assert ("nb-3", Severity.INFORMATION) in found  # sortBy() is no function of FHIRPath N1
    assert ("must-support", Severity.INFORMATION) in found
    married = site.validate({**newborn(), "maritalStatus": COLOURS})
    assert ("profile-binding", Severity.WARNING) in {(p.rule, p.severity) for p in married}


def test_slices_by_the_profile_of_what_is_referred_to(site: Validator) -> None:
    first, second = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0b01", "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0b02"
    panel = {**look(), "hasMember": [{"reference": first}, {"reference": second}]}
    made = bundle(("http://example.org/panel", panel), (first, look()), (second, look()))
    assert ("profile-cardinality", "Bundle.entry[0].resource.hasMember") in from_packages(site, made)
    made["entry"][2]["resource"]["category"] = [{"text": "another kind"}]
    assert ("profile-cardinality", "Bundle.entry[0].resource.hasMember") not in from_packages(site, made)


def test_a_claim_that_no_package_knows_is_told(site: Validator) -> None:
    found = site.validate(claiming("Unheard", finding()))
    assert [(p.rule, p.where) for p in found] == [("profile-unknown", "Observation.meta.profile[0]")]
    assert Validator().validate(claiming("Unheard", finding())) == []


def test_a_folder_is_a_package_too(tmp_path: Path) -> None:
    for number, content in enumerate(DEFINITIONS):
        (tmp_path / f"{number}.json").write_bytes(dumps(content))
    assert set(load_packages([tmp_path]).structures) == {d["url"] for d in DEFINITIONS if "differential" in d}


def test_a_fault_in_an_extension_is_told_once(site: Validator) -> None:
    """Held against its own definition, and by the profile that wants it."""
    found = site.validate(changed(newborn(), "extension.0.valueString", "3 East, bed 7")).errors
    assert [(p.rule, p.where) for p in found] == [("profile-length", "Patient.extension[0].valueString")]


def test_definitions_of_a_folder_may_be_xml(tmp_path: Path, site: Validator) -> None:
    """As guides keep them; what else is XML there is passed over, and a definition that cannot be read is named."""
    for number, content in enumerate(DEFINITIONS):
        (tmp_path / f"{number}.xml").write_bytes(to_xml(content))
    (tmp_path / "build.xml").write_bytes(b"<project/>")
    by_xml = Validator(layers=[Layer.PROFILES], packages=load_packages([tmp_path]))
    broken = {name: value for name, value in newborn().items() if name != "identifier"}
    assert site.validate(broken).errors
    for resource in (newborn(), broken):
        assert by_xml.validate(resource).errors == site.validate(resource).errors
    (tmp_path / "broken.xml").write_bytes(b"<StructureDefinition xmlns='http://hl7.org/fhir'><colour/>")
    with pytest.raises(PackageError, match=r"broken\.xml cannot be read"):
        load_packages([tmp_path])


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"\x1f\x8b\x08"])
def test_what_is_no_package_is_said_in_words(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.tgz"
    path.write_bytes(content)
    with pytest.raises(PackageError, match=r"x\.tgz"):
        load_packages([path])
    with pytest.raises(PackageError, match="no FHIR resources"):
        load_packages([archive(tmp_path / "empty.tgz", [])])
    broken = tmp_path / "folder"
    broken.mkdir()
    (broken / "a.json").write_bytes(b"{")
    with pytest.raises(PackageError, match=r"a\.json"):
        load_packages([broken])


def test_a_slice_of_a_base_that_is_not_in_the_package() -> None:
    """profiling.html#slicing: a differential may go on with a slice of its base, without saying how it is told."""
    coding = "Observation.code.coding"
    sliced_by_base = profile(
        "Sliced",
        "Observation",
        one(f"{coding}:ours", min=1, max="1"),
        one(f"{coding}:ours.system", fixedUri=f"{SITE}/codes"),
        one(f"{coding}:ours.code", fixedCode="look"),
        one(f"{coding}:untold", min=1),
    )
    packages = Packages()
    packages.add(sliced_by_base)
    validator = Validator(layers=[Layer.PROFILES], packages=packages)
    made = claiming("Sliced", finding())
    assert from_packages(validator, made) == {("profile-cardinality", coding)}
    made["code"] = {"coding": [{"system": f"{SITE}/codes", "code": "look"}]}
    assert from_packages(validator, made) == set()


def test_a_context_may_lead_through_data_types() -> None:
    """R4, defining-extensions.html: an element by its path. German base profiles have ``Condition.code.coding``."""
    url = f"{SITE}/StructureDefinition/Cross"
    packages = Packages()
    packages.add(
        profile(
            "Cross", "Extension", one("Extension.url", fixedUri=url), type="Extension", kind="complex-type",
            context=[{"type": "element", "expression": "Condition.code.coding"}],
        )
    )  # fmt: skip
    coding = {"extension": [{"url": url, "valueString": "+"}], "system": "http://example.org/x", "code": "a"}
    condition = {"resourceType": "Condition", "code": {"coding": [coding]}, "subject": {"reference": "Patient/1"}}
    validator = Validator(packages=packages)
    assert "extension-context" not in {one.rule for one in validator.validate(condition)}
    elsewhere = {**condition, "code": {"text": "x"}, "bodySite": [{"coding": [coding]}]}
    assert "extension-context" in {one.rule for one in validator.validate(elsewhere)}
