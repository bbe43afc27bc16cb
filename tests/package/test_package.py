"""The package is whole: what bundles say of ours is defined in it, it reads back, and it is the same bytes each time.

Layout of a package: hl7.org/fhir/packages.html. Constraints of definitions: R4 (sdf-*, vsd-*, csd-*, cmd-*, eld-*).
"""

from __future__ import annotations

import io
import json
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.code import Code
from adapter.derive.every_use import every_exam
from adapter.exam import Exam
from adapter.fhir import to_bundle
from adapter.fhir.json import dumps, loads
from adapter.validate import Validator, load_packages
from adapter.write.package import archived, definitions, package_files

SITES = sorted(p for p in (Path(__file__).resolve().parents[2] / "examples" / "sites").iterdir() if p.is_dir())
Json = dict[str, Any]


@pytest.fixture(scope="module", params=[None, *SITES], ids=lambda site: site.name if site else "shipped")
def site(request: pytest.FixtureRequest) -> Catalogue:
    return load_catalogue(request.param)


@pytest.fixture(scope="module")
def bundles(site: Catalogue) -> list[Json]:
    """Exams that use everything a site has."""
    return [to_bundle(exam, site) for exam in every_exam(site)]


@pytest.fixture(scope="module")
def defined(site: Catalogue) -> list[Json]:
    return definitions(site)


def test_every_definition_is_valid(defined: list[Json]) -> None:
    validator = Validator(second_opinion=False)
    assert [f"{one['id']}: {problem}" for one in one_form(defined) for problem in validator.validate(one)] == []


def one_form(defined: list[Json]) -> list[Json]:
    """Of the Questionnaires, which ask the same items in other orders, one; tests of their own have all of them."""
    forms = [one["id"] for one in defined if one["resourceType"] == "Questionnaire"]
    return [one for one in defined if one["id"] not in forms[1:]]


def test_canonicals_are_unique_and_names_fit(defined: list[Json]) -> None:
    urls = [one["url"] for one in defined if "url" in one]
    assert len(urls) == len(set(urls))
    assert all(one["id"] == one["url"].rpartition("/")[2] for one in defined if one["resourceType"] == "ValueSet")


def codings(value: object) -> Iterator[Json]:
    if isinstance(value, dict):
        if "system" in value and "code" in value:
            yield value
        for content in value.values():
            yield from codings(content)
    elif isinstance(value, list):
        for entry in value:
            yield from codings(entry)


def urls(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("url"), str):
            yield value["url"]
        for content in value.values():
            yield from urls(content)
    elif isinstance(value, list):
        for entry in value:
            yield from urls(entry)


def test_every_code_and_extension_of_ours_is_defined(
    site: Catalogue, defined: list[Json], bundles: list[Json]
) -> None:
    """Over exams that use everything: a code of ours without a definition, or with another display, would show."""
    canonical = site.settings.canonical
    known = {
        (one["url"], concept["code"]): concept.get("display")
        for one in defined
        if one["resourceType"] == "CodeSystem"
        for concept in one["concept"]
    }
    extensions = {one["url"] for one in defined if one["resourceType"] == "StructureDefinition"}
    local = tuple(system.uri for system in site.systems.values() if system.local)
    own = 0
    for bundle in bundles:
        for coding in codings(bundle):
            if coding["system"].startswith((f"{canonical}/CodeSystem", *local)):
                own += 1
                assert known[coding["system"], coding["code"]] == coding.get("display"), coding
        assert {url for url in urls(bundle) if url.startswith(f"{canonical}/StructureDefinition")} <= extensions
    assert own > 1000


def test_maps_are_honest(site: Catalogue, defined: list[Json]) -> None:
    """R4 cmd-1: narrower and inexact need a comment. What is unmatched says why; a target of several is not equal.

    Every target says who graded it, and what is not sent is never graded as if it meant the same.
    """
    sent = published(site)
    for one in defined:
        if one["resourceType"] != "ConceptMap":
            continue
        shared: dict[str, set[str]] = {}
        for element in one["group"][0]["element"]:
            for target in element["target"]:
                if target["equivalence"] in ("narrower", "inexact", "unmatched", "relatedto"):
                    assert target["comment"]
                if target["equivalence"] == "unmatched":
                    assert "code" not in target
                    continue
                assert "Graded by: " in target["comment"]
                system = one["group"][0]["target"]
                if target["equivalence"] in ("equal", "equivalent", "wider") and system != HPO:
                    assert (system, target["code"]) in sent
                if target["equivalence"] in ("equal", "equivalent"):
                    shared.setdefault(target["code"], set()).add(element["code"])
        local = {system.uri for system in site.systems.values() if system.local}
        if one["group"][0]["target"] not in local:
            assert [codes for codes in shared.values() if len(codes) > 1] == []


HPO = "http://human-phenotype-ontology.org"
SHORT = {HPO: "hpo", "http://snomed.info/sct": "snomed", "http://loinc.org": "loinc"}


def published(site: Catalogue) -> set[tuple[str, str]]:
    """The codes that the site sends, and HL7's own for what was not examined and for what a finding means."""
    absent = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
    sent = {(site.uri(code.system), code.code) for _, code in site.codes() if site.sends(code)}
    sent |= {("http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", flag) for flag in "NA"}
    return sent | {(absent, reason.absent) for reason in site.reasons.values()}


def test_what_is_near_stands_in_maps_alone(site: Catalogue, defined: list[Json], bundles: list[Json]) -> None:
    """Graded relatedto or inexact: in a ConceptMap, and in no bundle of exams that use everything."""
    answers = [(f"{item.id}.{answer.id}", answer) for item in site.items.values() for answer in item.answers]
    near = {(site.uri(code.system), code.code, name) for name, answer in answers for code in answer.maps}
    mapped = {
        (one["group"][0]["target"], target.get("code"), element["code"])
        for one in defined
        if one["id"].startswith("answer-to")
        for element in one["group"][0]["element"]
        for target in element["target"]
    }
    assert near
    assert near - mapped == {
        (uri, code, name) for uri, code, name in near if not site.maps(Code(system=SHORT[uri], code=code))
    }
    own = site.uri("answer")
    seen = 0
    for bundle in bundles:
        for concept in concepts(bundle):
            ours = [coding["code"] for coding in concept if coding["system"] == own]
            seen += len(ours)
            assert not {(c["system"], c["code"], code) for c in concept for code in ours} & near
    assert seen > 700


def test_hpo_is_mapped_always_and_sent_where_the_site_says_so(tmp_path: Path) -> None:
    """HPO's terms ask for its version and for a citation; it names abnormalities and never a question."""
    (tmp_path / "site.yaml").write_text("hpo: on\n", encoding="utf-8")
    shipped, site = load_catalogue(), load_catalogue(tmp_path)
    sent: list[tuple[str, list[Json]]] = []
    for catalogue in (shipped, site):
        (one,) = [d for d in definitions(catalogue) if d["id"] == "answer-to-hpo"]
        assert one["group"][0]["targetVersion"] == "2025-01-16"
        assert "hpo.jax.org" in one["copyright"]
        found = [c for exam in every_exam(catalogue) for c in concepts(to_bundle(exam, catalogue))]
        hpo = [concept for concept in found if any(coding["system"] == HPO for coding in concept)]
        assert bool(hpo) == (catalogue is site)
        sent += [(coding["code"], concept) for concept in hpo for coding in concept if coding["system"] == HPO]
    answers = {f"{i.id}.{a.id}": a.meaning for i in site.items.values() for a in i.answers}
    own = site.uri("answer")
    for _, concept in sent:
        assert {c["version"] for c in concept if c["system"] == HPO} == {"2025-01-16"}
        (ours,) = [c["code"] for c in concept if c["system"] == own]
        assert answers[ours] != "expected"


def concepts(value: object) -> Iterator[list[Json]]:
    if isinstance(value, dict):
        if isinstance(value.get("coding"), list):
            yield value["coding"]
        for content in value.values():
            yield from concepts(content)
    elif isinstance(value, list):
        for entry in value:
            yield from concepts(entry)


def test_no_snomed_code_where_the_site_has_no_licence() -> None:
    nordhafen = load_catalogue(next(site for site in SITES if site.name == "nordhafen"))
    assert all(b"http://snomed.info" not in content for content in package_files(nordhafen).values())


def test_labels_keep_their_english_beside_them() -> None:
    nordhafen = load_catalogue(next(site for site in SITES if site.name == "nordhafen"))
    items = next(one for one in definitions(nordhafen) if one["id"] == "exam-item")
    heart_rate = next(concept for concept in items["concept"] if concept["code"] == "heart_rate")
    assert items["language"] == "de"
    assert heart_rate["display"] == "Herzfrequenz über der Herzspitze"
    assert heart_rate["designation"] == [{"language": "en", "value": "Heart rate, apical"}]


def test_the_archive(catalogue: Catalogue, every: list[Exam], tmp_path: Path) -> None:
    files = package_files(catalogue, every[:2])
    data = archived(files)
    assert data == archived(package_files(catalogue, every[:2]))
    with tarfile.open(fileobj=io.BytesIO(data)) as archive:
        members = archive.getmembers()
        read = {member.name: archive.extractfile(member).read() for member in members}  # type: ignore[union-attr]
    assert read == files
    assert [m.name for m in members] == sorted(files)
    assert {(m.mtime, m.uid, m.gid, m.uname) for m in members} == {(0, 0, 0, "")}
    manifest = json.loads(read["package/package.json"])
    assert (manifest["name"], manifest["version"]) == ("newborn-exam-adapter.terminology", "2026.11.0")
    assert manifest["fhirVersions"] == ["4.0.1"]
    assert manifest["dependencies"] == {"hl7.fhir.r4.core": "4.0.1", "hl7.fhir.uv.sdc": "4.0.0"}
    for folder in ("package", "package/example"):
        index = json.loads(read[f"{folder}/.index.json"])["files"]
        there = {n.rpartition("/")[2] for n in read if n.rpartition("/")[0] == folder} - {
            ".index.json",
            "package.json",
        }
        assert {entry["filename"] for entry in index} == there
        for entry in index:
            resource = loads(read[f"{folder}/{entry['filename']}"])
            assert (entry["resourceType"], entry["id"]) == (resource["resourceType"], resource["id"])


@pytest.fixture(scope="module")
def packaged(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue) -> Validator:
    path = tmp_path_factory.mktemp("package") / "ours.tgz"
    path.write_bytes(archived(package_files(catalogue)))
    return Validator(packages=load_packages([path]), second_opinion=False)


@pytest.fixture(scope="module")
def claims(tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    """The catalogue of a site whose resources claim our profiles."""
    folder = tmp_path_factory.mktemp("claims")
    folder.joinpath("site.yaml").write_text("own_profiles: true\n")
    return load_catalogue(folder)


def test_our_bundles_meet_our_profiles(packaged: Validator, claims: Catalogue) -> None:
    claimed: set[str] = set()
    for exam in every_exam(claims)[::4]:
        bundle = to_bundle(exam, claims)
        assert [str(problem) for problem in packaged.validate(bundle)] == []
        claimed |= {p for e in bundle["entry"] for p in e["resource"]["meta"]["profile"]}
    assert len([url for url in claimed if "newborn-exam-adapter" in url]) >= 13


BROKEN = {
    "an answer that is none": lambda o: o["valueCodeableConcept"]["coding"][-1].update(code="femoral_pulse.gone"),
    "the answer of another item": lambda o: o["valueCodeableConcept"]["coding"][-1].update(code="moro.exaggerated"),
    "an item that is none": lambda o: o["code"]["coding"][-1].update(code="third_pulse"),
    "no item of ours": lambda o: o["code"].update(coding=o["code"]["coding"][:-1]),
    "an extension of our address that is none": lambda o: o.update(
        extension=[{"url": "https://newborn-exam-adapter.invalid/fhir/StructureDefinition/detail", "valueCode": "x"}]
    ),
    "an extension in the wrong form": lambda o: o.update(
        extension=[
            {"url": "https://newborn-exam-adapter.invalid/fhir/StructureDefinition/finding-detail", "valueCode": "x"}
        ]
    ),
    "a value and none": lambda o: o.pop("valueCodeableConcept"),
    "no newborn": lambda o: o.pop("subject"),
}


@pytest.fixture(scope="module")
def weak_pulse(claims: Catalogue, every: list[Exam]) -> Json:
    """An Observation of ours, as it should be."""
    bundle = next(b for exam in every if "femoral_pulse.weak" in dumps(b := to_bundle(exam, claims)).decode())
    found: Json = next(
        e["resource"]
        for e in bundle["entry"]
        if any(c["code"] == "femoral_pulse.weak" for c in codings(e["resource"].get("valueCodeableConcept")))
    )
    return found


@pytest.mark.parametrize("fault", BROKEN)
def test_what_is_broken_is_caught(fault: str, packaged: Validator, weak_pulse: Json) -> None:
    alone = loads(dumps(weak_pulse))
    before = {problem.rule for problem in packaged.validate(alone).errors}
    BROKEN[fault](alone)
    after = {problem.rule for problem in packaged.validate(alone).errors}
    assert after - before, fault


def test_points_of_a_sign(catalogue: Catalogue) -> None:
    """Each of the five signs gives 0, 1 or 2 (The Apgar Score, AAP and ACOG, Pediatrics 2015;136:819)."""
    answers = next(one for one in definitions(catalogue) if one["id"] == "exam-answer")
    points: dict[str, list[int]] = {}
    for concept in answers["concept"]:
        item, _, sign = concept["code"].partition(".")
        if item == "apgar_5_min":
            points.setdefault(sign.partition(".")[0], []).append(concept["extension"][0]["valueDecimal"])
    assert len(points) == 5
    assert all(sorted(given) == [0, 1, 2] for given in points.values())


SIGNED = """canonical: https://hospital.example/fhir
publication:
  status: active
  publisher: Invented Hospital
  contact: codes@hospital.example
  jurisdiction: DE
  copyright: Invented Hospital, for its own use.
"""


def test_a_site_that_has_signed_stands_for_its_package(tmp_path: Path) -> None:
    """FHIR R4 MetadataResource; the licences of LOINC and of SNOMED CT ask for their notices beside their codes."""
    tmp_path.joinpath("site.yaml").write_text(SIGNED)
    signed = load_catalogue(tmp_path)
    notices = {signed.uri(name): signed.systems[name].notice for name in ("loinc", "snomed")}
    validator, defined = Validator(second_opinion=False), definitions(signed)
    assert [f"{one['id']}: {problem}" for one in one_form(defined) for problem in validator.validate(one)] == []
    for one in defined:
        assert (one["status"], one["publisher"]) == ("active", "Invented Hospital")
        assert one["contact"] == [{"telecom": [{"system": "email", "value": "codes@hospital.example"}]}]
        assert one["jurisdiction"][0]["coding"] == [{"system": "urn:iso:std:iso:3166", "code": "DE"}]
        assert not one.get("experimental")
        if one["resourceType"] == "NamingSystem":
            continue
        assert one["copyright"].startswith("Invented Hospital, for its own use.")
        text = dumps(one).decode()
        for uri, notice in notices.items():
            assert (notice in one["copyright"]) is (f'"{uri}"' in text), one["id"]
    manifest = json.loads(package_files(signed)["package/package.json"])
    assert manifest["author"] == "Invented Hospital"
    assert manifest["dependencies"]["hl7.fhir.uv.sdc"]
    assert "Drafts" not in manifest["description"]
