"""What cannot go together in a site's folder is told with its file, its entry and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapter.catalogue import CatalogueError, load_catalogue
from adapter.catalogue.lint import lint
from adapter.problems import Problem
from adapter.write import lint_forms

SYSTEM = '- {id: ward, uri: "urn:oid:2.999.5", label: Invented codes, local: true}\n'
HEADER = "- {system: ward, place: first, items: "
RULE = "unknown-reference"

FAULTS = {
    "an unknown setting": ({"site.yaml": "langage: de\n"}, "unknown-field", "langage", "spell it"),
    "an unknown part of emit": ({"site.yaml": "emit: {panel: false}\n"}, "unknown-field", "emit.panel", ""),
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
    "a file of no use": ({"labels.yaml": "language: de\n"}, "wrong-file", "labels.yaml", "one of"),
    "a language without its words": (
        {"site.yaml": "language: de\n"}, "labels", "labels/de.yaml", "null for English",
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
    "a policy of no day": ({"site.yaml": 'policy: {date: "2026-02-30"}\n'}, "setting", "policy.date", "calendar"),
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
