"""What cannot go together in a site's folder is told with its file, its entry and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest
from hl7apy.v2_5_1.tables import TABLES

from adapter.catalogue import CatalogueError, load_catalogue
from adapter.catalogue.lint import lint
from adapter.catalogue.lint_words import TABLE_0074, TABLE_0200, TABLE_0203
from adapter.fhir.definitions import code_system
from adapter.problems import Problem
from adapter.write import lint_forms

SYSTEM = '- {id: ward, uri: "urn:oid:2.999.5", label: Invented codes, local: true}\n'
PLACES = "places: {W: {identifier: {system: w, value: '1'}, physical_type: wa}}\n"
HEADER = "- {system: ward, place: first, items: "
RULE = "unknown-reference"

SCORE = """region: general
items:
- id: ward_score
  position: 9001
  disturbance: 1
  label: Invented score
  type: score
  no_standard_code: Invented.
  limits: {{possible: [0, 6], plausible: [0, 6]}}
  signs:
  - {{id: one, label: One, answers: [{{id: no, label: No, points: 0}}, {{id: yes, label: Yes, points: 2}}]}}
  - {{id: two, label: Two, answers: [{{id: no, label: No, points: 0}}, {{id: yes, label: Yes, points: 4}}]}}
  ranges:
  - {{high: "<={low}", meaning: expected, flag: N, source: S1}}
  - {{low: ">={high}", meaning: abnormal, flag: H, source: S1}}
  sources: [S1]
"""

FAULTS = {
    "an unknown setting": ({"site.yaml": "langage: de\n"}, "unknown-field", "langage", "spell it"),
    "an unknown part of emit": ({"site.yaml": "emit: {panel: false}\n"}, "unknown-field", "emit.panel", ""),
    "a newborn whom nobody could compare": (
        {"site.yaml": "persons: {newborn: identifier}\n"}, "wrong-field", "persons.newborn", "",
    ),
    "software that is left out, and known": (
        {"site.yaml": "emit: {device: false}\npersons: {device: known}\n"},
        "setting", "persons.device", "device: identifier",
    ),
    "a Provenance neither here nor there": (
        {"site.yaml": "emit: {provenance: none}\n"}, "wrong-field", "provenance", "",
    ),
    "an edition to send without a proof": (
        {"site.yaml": "proof: {sent: true}\n"}, "setting", "proof.sent", "terminology prove",
    ),
    "a proof that is none": (
        {"terminology-proof.json": "[]"}, "wrong-file", "terminology-proof.json", "make it anew",
    ),
    "settings that are a list": (
        {"site.yaml": "- language: de\n"}, "wrong-file", "not a mapping", "mappings/settings.yaml",
    ),
    "a list that is a mapping": ({"profiles.yaml": "id: a\n"}, "wrong-file", "not a list", "dash"),
    "a folder of something else": ({"d01.json": "{}"}, "wrong-file", "any other file of a site", "site.yaml"),
    "a file of no use": ({"labels.yaml": "language: de\n"}, "wrong-file", "labels.yaml", "one of"),
    "a language without its words": (
        {"site.yaml": "language: pt\n"}, "labels", "labels/pt.yaml", "or one that is shipped: de, fr",
    ),
    "a language that is none": ({"site.yaml": "language: Deutsch\n"}, "wrong-field", "language", ""),
    "words of another language": (
        {"labels/de.yaml": "language: fr\n"}, "labels", "labels/de.yaml", "language: de",
    ),
    "words for an item that is not there": (
        {"labels/de.yaml": "language: de\nitems:\n  hart_rate: Herz\n"}, "unknown-label", "hart_rate", "heart_rate",
    ),
    "words for an answer that is not there": (
        {"labels/de.yaml": "language: de\nitems:\n  murmur:\n    answers: {loud: Laut}\n"},
        "unknown-label", "items.murmur.answers.loud", "",
    ),
    "words that are a number": (
        {"labels/de.yaml": "language: de\nitems: {murmur: 7}\n"}, "labels", "murmur", "label",
    ),
    "a local code without a system": (
        {"local_codes.yaml": HEADER + "{murmur: M1}}\n"}, "local-codes", "'ward'", "local: true",
    ),
    "a local code nowhere": (
        {"systems.yaml": SYSTEM, "local_codes.yaml": HEADER + "{murmurs: M1}}\n"}, RULE, "murmurs", "murmur",
    ),
    "a local code in no place": (
        {"systems.yaml": SYSTEM, "local_codes.yaml": "- {system: ward, place: top, items: {murmur: M1}}\n"},
        "local-codes", "'top'", "instead",
    ),
    "a vital sign without its code": (
        {"systems.yaml": SYSTEM, "local_codes.yaml": "- {system: ward, place: instead, items: {heart_rate: H}}\n"},
        "profile-needs-code", "demands its published code", "first or last",
    ),
    "one local code for two questions": (
        {"systems.yaml": SYSTEM, "local_codes.yaml": HEADER + "{murmur: M1, jaundice: M1}}\n"},
        "two-meanings", "ward M1", "one meaning",
    ),
    "an identifier system that is no URI": (
        {"site.yaml": "identifier_systems: {mrn: our numbers}\n"}, "setting", "mrn", "urn:oid",
    ),
    "an organisation known by no URI": (
        {"site.yaml": "organisation: {name: W, identifier: {system: mrn, value: '1'}}\n"},
        "setting", "organisation.identifier.system", "absolute URI",
    ),
    "a place known by no URI": (
        {"site.yaml": PLACES + "emit: {participants: true}\n"}, "setting", "places.W", "absolute URI",
    ),
    "places that nothing says": (
        {"site.yaml": PLACES.replace("system: w", "system: 'urn:oid:2.999.5'")},
        "setting", "names no place", "participants: true",
    ),
    "a policy of no day": ({"site.yaml": 'policy: {date: "2026-02-30"}\n'}, "setting", "policy.date", "calendar"),
    "a time zone that is none": (
        {"site.yaml": "time_zone: Berlin\n"}, "setting", "'Berlin'", "Europe/Berlin",
    ),
    "a package that is active and nobody's": (
        {"site.yaml": "canonical: https://h.example/f\npublication: {status: active, publisher: W}\n"},
        "setting", "publication.contact", "status: draft",
    ),
    "a package that is active at no address": (
        {"site.yaml": "publication: {status: active, publisher: W, contact: a@h.example, jurisdiction: DE}\n"},
        "setting", "publication.status", "own web address",
    ),
    "a jurisdiction that is none": (
        {"site.yaml": "publication: {jurisdiction: Germany}\n"}, "wrong-field", "publication.jurisdiction", "",
    ),
    "no form at all": ({"site.yaml": "formats: []\n"}, "setting", "formats", "null for all"),
    "a form that is none": ({"site.yaml": "formats: [fax]\n"}, "setting", "'fax'", "transaction"),
    "a fifth side": ({"sides.yaml": "- {id: top, label: Top}\n"}, "fixed-list", "'top'", "left, right, both"),
    "a profile of a type that is not made": (
        {"profiles.yaml": '- {id: a, url: "urn:x:a", resource: Flag}\n'}, "profile-claim", "Flag", "one of",
    ),
    "a profile of an item that is not there": (
        {"profiles.yaml": '- {id: a, url: "urn:x:a", resource: Observation, items: [pulse]}\n'},
        "profile-claim", "'pulse'", "exists",
    ),
    "a profile that needs what it must not have": (
        {"profiles.yaml": '- {id: a, url: "urn:x:a", resource: Patient, needs: [name], without: [name]}\n'},
        "profile-claim", "needs name", "one of the two",
    ),
    "a profile of what this site does not make": (
        {
            "site.yaml": "emit: {tell: false}\n",
            "profiles.yaml": '- {id: a, url: "urn:x:a", resource: CommunicationRequest}\n',
        },
        "profile-claim", "makes no CommunicationRequest", "on: false",
    ),
    "a grade of nothing": (
        {"equivalences.yaml": "- {id: item lenght, targets: {8306-3: {equivalence: equal}}}\n"}, RULE, "lenght", "",
    ),
    "a grade that needs a word": (
        {"equivalences.yaml": "- {id: item length, targets: {8306-3: {equivalence: inexact}}}\n"},
        "wrong-field", "cmd-1", "",
    ),
    "a reason of no code of R4": (
        {"reasons.yaml": "- {id: shy, label: Shy, absent: declined}\n"}, "wrong-field", "absent", "",
    ),
    "an OID that is none": (
        {"site.yaml": 'identifier_systems: {mrn: "urn:oid:1.2.x"}\n'}, "setting", "urn:oid:1.2.x", "urn:oid:2.999",
    ),
    "a web address without a host": (
        {"site.yaml": 'identifier_systems: {mrn: "https:///mrn"}\n'}, "setting", "https:///mrn", "https://",
    ),
    "an element misspelt": (
        {"profiles.yaml": '- {id: a, url: "urn:x:a", resource: Patient, needs: [identifer]}\n'},
        "profile-claim", "'identifer'", "name.family",
    ),
    "a part of an element misspelt": (
        {"profiles.yaml": '- {id: a, url: "urn:x:a", resource: Patient, needs: [name.famly]}\n'},
        "profile-claim", "'name.famly'", "name.family",
    ),
    "a part of what has none": (
        {"profiles.yaml": '- {id: a, url: "urn:x:a", resource: Patient, needs: [birthDate.year]}\n'},
        "profile-claim", "birthDate.year", "name.family",
    ),
    "an identifier type outside its table": (
        {"v2.yaml": "authorities: [{system: 'urn:oid:2.999.1', namespace: W, type: MRN}]\n"},
        "table-code", "'MRN' is not in HL7 table 0203", "MR",
    ),
    "an authority of no name": (
        {"v2.yaml": "authorities: [{system: 'urn:oid:2.999.1', type: MR}]\n"},
        "missing-part",
        "names nothing",
        "namespace, or id",
    ),
    "a service section outside its table": ({"v2.yaml": "section: NURSE\n"}, "table-code", "0074", "NRS"),
    "a name type outside its table": ({"v2.yaml": "name_type: BABY\n"}, "table-code", "0200", "NB"),
    "two systems of one name": (
        {"systems.yaml": SYSTEM, "v2.yaml": "systems: {ward: LN}\n"}, "same-name", "loinc, ward", "each system",
    ),
    "a system of the adapter's own name": (
        {"systems.yaml": SYSTEM, "v2.yaml": "systems: {ward: 99NEA}\n"}, "same-name", "99NEA", "another",
    ),
    "words that the messages cannot carry": (
        {"v2.yaml": "character_set: 8859/1\n", "methods.yaml": "- {id: by_eye, label: Szemmel látható ő}\n"},
        "character-set", "(U+0151)", "UNICODE UTF-8",
    ),
    "a total that no signs give": (
        {"regions/x.yaml": SCORE.format(low=8, high=9)},
        "range-unreachable", ">=9", "these totals",
    ),
    "a gap between ranges": (
        {"regions/x.yaml": SCORE.format(low=1, high=3)},
        "range-gap", "2 lies between", "ends that meet",
    ),
    "a grade of a code that is not there": (
        {"equivalences.yaml": "- {id: item length, targets: {99999-9: {equivalence: equal}}}\n"},
        RULE, "99999-9", "8302-2",
    ),
    "a kind of what is not there": (
        {"kinds.yaml": "# ours\n- {id: initial, items: [cry, crying_loud]}\n"}, RULE, "crying_loud", "exists",
    ),
    "two systems of one URI": (
        {"systems.yaml": '- {id: ward, uri: "http://loinc.org", label: W, local: true}\n'}, "setting", "loinc", "own",
    ),
}  # fmt: skip


def problems_of(folder: Path) -> list[Problem]:
    try:
        catalogue = load_catalogue(folder)
    except CatalogueError as error:
        return error.problems
    return [*lint(catalogue), *lint_forms(catalogue)]


@pytest.mark.parametrize("fault", FAULTS)
def test_it_is_told(fault: str, tmp_path: Path) -> None:
    files, rule, what, remedy = FAULTS[fault]
    for name, content in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(content)
    found = [p for p in problems_of(tmp_path) if p.rule == rule and what in f"{p.file} {p.where} {p.what}"]
    assert found, [str(problem) for problem in problems_of(tmp_path)]
    assert remedy in found[0].remedy
    assert found[0].file in files or found[0].file in {"site.yaml", "settings.yaml"}


def test_a_kind_is_told_by_its_line(tmp_path: Path) -> None:
    (tmp_path / "kinds.yaml").write_text("# ours\n- {id: initial, items: [cry, crying_loud]}\n")
    assert [(p.file, p.line) for p in problems_of(tmp_path)] == [("kinds.yaml", 2)]


def test_the_tables_are_those_of_the_standard() -> None:
    """HL7 v2.5.1 as hl7apy has it; R4's terminology of table 0203."""
    known = {"0074": TABLE_0074, "0200": TABLE_0200, "0203": TABLE_0203}
    for table, codes in known.items():
        assert set(TABLES[f"HL7{table}"][1]) - {"NNxxx"} <= codes
    assert code_system("http://terminology.hl7.org/CodeSystem/v2-0203") - {"NNxxx"} <= TABLE_0203


def test_a_line_is_named_where_there_is_one(tmp_path: Path) -> None:
    (tmp_path / "labels").mkdir()
    (tmp_path / "labels" / "de.yaml").write_text("language: de\nitems:\n  hart_rate: Herz\n")
    (problem,) = problems_of(tmp_path)
    assert (problem.file, problem.line) == ("labels/de.yaml", 3)


def test_broken_in_ways_that_no_one_thought_of(tmp_path: Path) -> None:
    """Whatever YAML holds, there are problems and never a crash."""
    for name in ("site.yaml", "local_codes.yaml", "profiles.yaml", "labels/de.yaml", "regions/skin.yaml"):
        for content in (
            "7\n",
            "- 7\n",
            "a: 7\n",
            "items: 7\n",
            "region: skin\nitems: [7]\n",
            "[[1]]\n",
            "x: {y: z}\n",
        ):
            folder = tmp_path / f"{len(list(tmp_path.iterdir()))}"
            (folder / name).parent.mkdir(parents=True)
            (folder / name).write_text(content)
            assert problems_of(folder), (name, content)
