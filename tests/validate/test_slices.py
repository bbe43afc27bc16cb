"""What guides built on R4 ask of a validator, each with a resource that keeps it and one that breaks it.

FHIR R4: profiling.html#discriminator (value, pattern, exists, type, profile), profiling.html#reslicing,
defining-extensions.html#context, fhirpath.html#functions (``resolve``, ``memberOf``, ``conformsTo``, ``htmlChecks``).
All profiles here are differentials, as guides are written and as their repositories hold them; the guides' own
examples (IPA, US Core, AU Core, UK Core) are held against their profiles in tests/MEASUREMENTS.md.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sample_resources import Resource, bundle, changed, finding, patient, vital
from test_packages import SITE, STANDARD, archive, claiming, one, profile, reference_to, sliced

from adapter.problems import Severity
from adapter.validate import Validator, load_packages
from adapter.validate.packages import Packages

KINDS, CODES = f"{SITE}/kinds", f"{SITE}/ValueSet/kinds"
URL = f"{SITE}/StructureDefinition"


def coding(code: str, system: str = KINDS) -> Resource:
    return {"coding": [{"system": system, "code": code}]}


def asks(expression: str, path: str = "Observation") -> Resource:
    rule = {"key": "x-1", "severity": "error", "human": "what is asked", "expression": expression}
    return one(path, constraint=[rule])


def extension(name: str, *contexts: tuple[str, str]) -> Resource:
    fixed = one("Extension.url", fixedUri=f"{URL}/{name}")
    listed = [{"type": kind, "expression": expression} for kind, expression in contexts]
    return profile(name, "Extension", fixed, kind="complex-type", context=listed)


def of_slice(path: str, name: str, inner: str, **fixed: Any) -> list[Resource]:
    return [one(f"{path}:{name}", min=1, max="1"), one(f"{path}:{name}.{inner}", min=1, **fixed)]


SYSTOLIC = {"coding": [{"system": "http://loinc.org", "code": "8480-6"}]}
DEFINITIONS: list[Resource] = [
    profile("ByValue", "Observation", sliced("Observation.identifier", "value", "system"),
            *of_slice("Observation.identifier", "own", "system", fixedUri=KINDS)),
    profile("ByPattern", "Observation", sliced("Observation.category", "pattern", "$this"),
            one("Observation.category:exam", min=1, patternCodeableConcept=coding("exam"))),
    # the set of codes stands in the base, the code in what is derived from it, the discriminator in the base alone
    profile("ByBinding", "Observation", sliced("Observation.category", "value", "$this"),
            one("Observation.category:kind", min=1, binding={"strength": "required", "valueSet": CODES})),
    profile("Inherited", "Observation", one("Observation.category:kind", max="1",
            patternCodeableConcept=coding("exam")), base=f"{URL}/ByBinding"),
    # cut from one of R4's own profiles: what tells the slice stands in the slice alone
    profile("FromR4", "Observation", one("Observation.code.coding:own", min=1, max="1"),
            one("Observation.code.coding:own.system", min=1, fixedUri=KINDS),
            one("Observation.code.coding:own.code", min=1, fixedCode="weight"), base=f"{STANDARD}/bodyweight"),
    profile("ByType", "Observation", sliced("Observation.value[x]", "type", "$this"),
            one("Observation.value[x]:valueString", min=1, type=[{"code": "string"}])),
    profile("Named", "Patient", one("Patient.name", min=1)),
    profile("ByProfile", "Observation", sliced("Observation.performer", "profile", "resolve()"),
            one("Observation.performer:named", min=1, type=reference_to(f"{URL}/Named"))),
    profile("ByTypeOfTarget", "Observation", sliced("Observation.performer", "type", "resolve()"),
            one("Observation.performer:patient", min=1, type=reference_to("Patient"))),
    profile("Resliced", "Observation", sliced("Observation.identifier", "value", "system"),
            *of_slice("Observation.identifier", "own", "system", fixedUri=KINDS)[1:],
            one("Observation.identifier:own", min=1,
                slicing={"discriminator": [{"type": "value", "path": "use"}], "rules": "open"}),
            one("Observation.identifier:own/first", min=1, max="1"),
            one("Observation.identifier:own/first.use", min=1, fixedCode="official")),
    profile("Resolves", "Observation", asks("subject.resolve().is(Patient)")),
    profile("IsMember", "Observation", asks(f"category.exists(memberOf('{CODES}'))")),
    profile("Conforms", "Observation", asks(f"subject.resolve().conformsTo('{URL}/Named')")),
    profile("Html", "Patient", asks("text.div.htmlChecks()", "Patient")),
    extension("OnPatient", ("element", "Patient")), extension("OnBirthDate", ("element", "Patient.birthDate")),
    extension("OnDate", ("element", "date")),
    extension("InOnPatient", ("extension", f"{URL}/OnPatient")),
    extension("OnOfficialName", ("fhirpath", "Patient.name.where(use = 'official')")),
    extension("InNested", ("element", "Patient")),
    {"resourceType": "ValueSet", "url": CODES, "status": "draft", "compose": {"include": [{"system": KINDS}]}},
    {"resourceType": "CodeSystem", "url": KINDS, "status": "draft", "content": "complete",
     "concept": [{"code": "exam"}, {"code": "weight"}]},
]  # fmt: skip


@pytest.fixture(scope="module")
def guide(tmp_path_factory: pytest.TempPathFactory) -> Validator:
    return Validator(packages=load_packages([archive(tmp_path_factory.mktemp("guide") / "guide.tgz", DEFINITIONS)]))


def a(name: str, **more: Any) -> Resource:
    return claiming(name, {**finding(), **more})


def own(use: str = "official", system: str = KINDS) -> Resource:
    return {"use": use, "system": system, "value": "1"}


CHILD = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0c01"


def about(name: str, *, named: bool = True, element: str = "subject") -> Resource:
    """A finding of a profile and the patient it leads to."""
    child = patient() if named else changed(patient(), "name", ...)
    led = {"reference": CHILD}
    made = a(name, **{element: led if element == "subject" else [led]})
    return bundle(("http://example.org/finding", made), (CHILD, child))


def weighed(system: str) -> Resource:
    return claiming("FromR4", changed(vital(), "code.coding", [*vital()["code"]["coding"],
                                                               {"system": system, "code": "weight"}]))  # fmt: skip


def extended(name: str, where: str = "") -> Resource:
    made = {"url": f"{URL}/{name}", "valueString": "text"}
    if where == "nested":
        return {**patient(), "extension": [{"url": f"{URL}/OnPatient", "extension": [made]}]}
    if where == "birthDate":
        return {**patient(), "_birthDate": {"extension": [made]}}
    if where.startswith("name"):
        return changed(patient(), "name", [{"use": where.partition(" ")[2], "text": "Invented", "extension": [made]}])
    return {**patient(), "extension": [made]}


def told(div: str) -> Resource:
    content = f'<div xmlns="http://www.w3.org/1999/xhtml">{div}</div>'
    return claiming("Html", {**patient(), "text": {"status": "generated", "div": content}})


PATIENT = {"resourceType": "Patient", "id": "p", "gender": "female"}
PAIRS: dict[str, tuple[Resource, Resource, str]] = {
    "value": (a("ByValue", identifier=[own()]), a("ByValue", identifier=[own(system=SITE)]), "profile-cardinality"),
    "pattern": (a("ByPattern", category=[coding("exam")]), a("ByPattern", category=[coding("weight")]),
                "profile-cardinality"),
    "a value set": (a("ByBinding", category=[coding("exam")]), a("ByBinding", category=[coding("none")]),
                    "profile-cardinality"),
    "a value set, inherited": (a("Inherited", category=[coding("exam")]), a("Inherited", category=[coding("none")]),
                               "profile-cardinality"),
    "a pattern over a value set": (a("Inherited", category=[coding("exam"), coding("x", SITE)]),
                                   a("Inherited", category=[coding("weight")]), "profile-cardinality"),
    "a slice of R4's own profile": (weighed(KINDS), weighed(SITE), "profile-cardinality"),
    "type": (a("ByType"), changed(a("ByType", valueBoolean=True), "valueString", ...), "profile-cardinality"),
    "profile": (about("ByProfile", element="performer"), about("ByProfile", named=False, element="performer"),
                "profile-cardinality"),
    "type of the target": (about("ByTypeOfTarget", element="performer"),
                           a("ByTypeOfTarget", performer=[{"reference": "Practitioner/1"}]), "profile-cardinality"),
    "a slice of a slice": (a("Resliced", identifier=[own(), own("usual")]), a("Resliced", identifier=[own("usual")]),
                           "profile-cardinality"),
    "too many in it": (a("Resliced", identifier=[own()]), a("Resliced", identifier=[own(), own()]),
                       "profile-cardinality"),
    "resolve": (about("Resolves"), a("Resolves", subject={"reference": CHILD}),
                "x-1"),
    "resolve what is contained": (a("Resolves", subject={"reference": "#p"}, contained=[PATIENT]),
                                  a("Resolves", subject={"display": "words"}), "x-1"),
    "memberOf": (a("IsMember", category=[coding("exam")]), a("IsMember", category=[coding("none")]), "x-1"),
    "conformsTo": (about("Conforms"), about("Conforms", named=False), "x-1"),
    "htmlChecks": (told("<b>text</b>"), told("<script>text</script>"), "x-1"),
    "context: a type of resource": (extended("OnPatient"), extended("OnPatient", "name usual"), "extension-context"),
    "context: an element": (extended("OnBirthDate", "birthDate"), extended("OnBirthDate"), "extension-context"),
    "context: a datatype": (extended("OnDate", "birthDate"), extended("OnDate", "name usual"), "extension-context"),
    "context: an extension": (extended("InOnPatient", "nested"), extended("InOnPatient"), "extension-context"),
    "context: FHIRPath": (extended("OnOfficialName", "name official"), extended("OnOfficialName", "name usual"),
                          "extension-context"),
}  # fmt: skip


@pytest.mark.parametrize("name", PAIRS)
def test_one_resource_keeps_it_and_one_breaks_it(guide: Validator, name: str) -> None:
    kept, broken, rule = PAIRS[name]
    assert [p for p in guide.validate(kept).errors if p.section.startswith("profile ")] == []
    assert rule in {p.rule for p in guide.validate(broken).errors}


def test_a_slice_that_nothing_tells_is_said_not_to_be_checked(tmp_path: Path) -> None:
    """R4's profile that has the discriminator is in no package; counting such a slice would be a guess."""
    unknown = profile("Cut", "Observation", one("Observation.category:VSCat", min=1, mustSupport=True),
                      base=f"{STANDARD}/vitalsigns")  # fmt: skip
    found = Validator(packages=load_packages([archive(tmp_path / "cut.tgz", [unknown])])).validate(
        claiming("Cut", vital())
    )
    assert [(p.rule, p.where, p.severity) for p in found] == [
        ("slice-unknown", "Observation.category", Severity.INFORMATION)
    ]


def test_a_package_knows_a_code_system_of_hl7_better_than_r4(tmp_path: Path) -> None:
    """HL7 goes on publishing its code systems: terminology.hl7.org, of which R4 has the state of 2019."""
    system = "http://terminology.hl7.org/CodeSystem/observation-category"
    later = {"resourceType": "CodeSystem", "url": system, "status": "active", "content": "complete",
             "concept": [{"code": "exam"}, {"code": "of-a-later-year"}]}  # fmt: skip
    validator = Validator(packages=load_packages([archive(tmp_path / "terminology.tgz", [later])]))
    made = {**finding(), "category": [coding("of-a-later-year", system)]}
    assert validator.validate(made).errors == []
    [without] = Validator().validate(made).errors
    assert (without.rule, "--package" in without.remedy) == ("unknown-code", True)
    assert [p.rule for p in validator.validate({**made, "category": [coding("none", system)]}).errors] == [
        "code-unknown"
    ]


def test_a_slice_is_told_by_the_pattern_of_the_whole_or_by_a_profile_of_its_data_type() -> None:
    """R4, profiling.html#discriminator: the path leads on through the type's profile. So German codings."""
    base, system = "http://site.example/StructureDefinition", "http://loinc.org"
    coding = "Observation.code.coding"

    def profiled(name: str, **told: object) -> dict[str, object]:
        sliced = {"discriminator": [{"type": "pattern", "path": "system"}], "rules": "open"}
        return {
            "resourceType": "StructureDefinition", "url": f"{base}/{name}", "type": "Observation",
            "kind": "resource",
            "derivation": "constraint", "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Observation",
            "differential": {"element": [
                {"id": coding, "path": coding, "slicing": sliced, "min": 1},
                {"id": f"{coding}:loinc", "path": coding, "sliceName": "loinc", "min": 1, "max": "1", **told},
            ]},
        }  # fmt: skip

    of_type = {
        "resourceType": "StructureDefinition", "url": f"{base}/Loinc", "type": "Coding", "kind": "complex-type",
        "derivation": "constraint", "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Coding",
        "differential": {"element": [{"id": "Coding.system", "path": "Coding.system", "patternUri": system}]},
    }  # fmt: skip
    packages = Packages()
    for definition in (
        of_type,
        profiled("ByType", type=[{"code": "Coding", "profile": [f"{base}/Loinc"]}]),
        profiled("ByPattern", patternCoding={"system": system, "code": "8867-4"}),
    ):
        packages.add(definition)
    for name in ("ByType", "ByPattern"):
        for where, fits in ((system, True), ("http://other.example", False)):
            resource = {
                "resourceType": "Observation", "meta": {"profile": [f"{base}/{name}"]}, "status": "final",
                "code": {"coding": [{"system": where, "code": "8867-4"}]}, "valueString": "x",
            }  # fmt: skip
            found = {problem.rule for problem in Validator(packages=packages).validate(resource)}
            assert ("profile-cardinality" not in found) is fits, (name, where)
