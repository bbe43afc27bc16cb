"""Each rule of the linter about codes: the smallest item that breaks it, and beside it one that is in order.

Roles of codes: FHIR R4 Observation (section 10.1) and SNOMED CT semantic tags. Grades: R4 concept-map-equivalence and
ConceptMap constraint cmd-1 (narrower and inexact need a comment).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.lint import lint
from adapter.problems import Problem

HEAD = "region: hips\nitems:\n"
ITEM = (
    "- id: own_item\n  position: 9001\n  disturbance: 1\n  label: Invented item\n  type: choice\n  sources: [CP]\n"
    "  {question}\n  answers:\n  - {{id: fine, label: Quite fine, meaning: expected{fine}}}\n"
    "  - {{id: bad, label: Quite bad, meaning: abnormal{bad}}}\n"
)
NONE = "no_standard_code: Invented for a test."
SWOLLEN = "snomed 60728008 |Swollen abdomen|"
MASS = "snomed 271860004 |Abdominal mass|"
SEVERE = "snomed 24484000 |Severe|"
ABSENT = "snomed 2667000 |Absent|"
NUMBER = "snomed 249191003 |Number of blood vessels in umbilical cord|"
HPO = "hpo HP:0003270 |Abdominal distention|"


def problems(folder: Path, question: str = NONE, fine: str = "", bad: str = "", **files: str) -> list[Problem]:
    """What the linter says of the shipped catalogue with the invented item and further files of a site."""
    own = HEAD + ITEM.format(question=question, fine=fine and f", {fine}", bad=bad and f", {bad}")
    for name, content in {"regions__own": own, **files}.items():
        path = folder / f"{name.replace('__', '/')}.yaml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(content, encoding="utf-8")
    return lint(load_catalogue(folder))


CASES: list[tuple[str, dict[str, str], str]] = [
    # rule, what is changed of the item, a word of the remedy
    ("ungraded", {"bad": f"codes: [{SWOLLEN}]"}, "equivalent, wider"),
    ("ungraded", {"question": f"codes: [{NUMBER}]"}, "equivalent, wider"),
    ("grade-comment", {"bad": f"maps: [{SWOLLEN} inexact]"}, "cmd-1"),
    ("inexact-coding", {"bad": f"codes: [{SWOLLEN} relatedto]"}, "under maps"),
    ("inexact-coding", {"bad": f"codes: [{SWOLLEN} inexact (ours is another)]"}, "under maps"),
    ("inexact-coding", {"question": f"codes: [{NUMBER} relatedto]"}, "under maps"),
    ("map-only", {"bad": f"maps: [{SWOLLEN} wider]"}, "under codes"),
    ("narrower-value", {"bad": f"codes: [{SWOLLEN} narrower (ours says less)]"}, "wider code"),
    ("unknown-reference", {"bad": f"codes: [{SWOLLEN} wider by nobody]"}, "graders.yaml"),
    ("finding-as-question", {"question": f"codes: [{SWOLLEN} equivalent]"}, "observable entity"),
    # a procedure, as 428447008 and 417491009 once stood in Observation.code
    ("finding-as-question", {"question": "codes: [snomed 428447008 |Newborn blood spot screening| wider]"}, "LOINC"),
    ("finding-as-question", {"question": "codes: [loinc LA10392-1 |Pass| wider]"}, "LOINC"),
    ("code-role", {"bad": f"codes: [{NUMBER} wider]"}, "finding, disorder or qualifier"),
    ("code-role", {"bad": "codes: [snomed 113011001 |Palpation| wider]"}, "finding, disorder or qualifier"),
    ("qualifier-grade", {"bad": f"codes: [{MASS} wider, {SEVERE} equivalent]"}, "wider"),
    ("context-free-value", {"bad": f"codes: [{SEVERE} wider]"}, "beside it"),
    ("own-question", {"bad": "own_question: true"}, "remove it"),
    ("hpo-place", {"fine": f"codes: [{HPO} wider]"}, "no HPO term"),
    ("hpo-place", {"fine": f"maps: [{HPO} relatedto]"}, "no HPO term"),
    ("hpo-place", {"question": f"codes: [{HPO} wider]"}, "no HPO term"),
    (
        "equivalent-twice",
        {
            "bad": "codes: [snomed 13045009 |Anisocoria| equivalent]",
            "fine": "codes: [snomed 13045009 |Anisocoria| equivalent]",
        },
        "wider for both",
    ),
    ("display", {"bad": f"codes: [{MASS[:-1]} (finding)| equivalent]"}, "'Abdominal mass'"),
    ("display", {"bad": "codes: [snomed 276405004 |Testis in inguinal canal| wider]"}, "no display"),
    ("unknown-system", {"bad": "codes: [icd-x 12 |Twelve| wider]"}, "systems.yaml"),
    ("check-digit", {"question": "codes: [loinc 8302-3 wider]"}, "never guess"),
    ("check-digit", {"bad": "codes: [snomed 271782002 wider]"}, "never guess"),
    # of right form, far beyond the numbers that LOINC has given out (check digit by arithmetic)
    ("not-verified", {"question": "codes: [loinc 9999999-7 wider]"}, "add it there"),
]


@pytest.mark.parametrize(("rule", "change", "remedy"), CASES, ids=[f"{n}-{c[0]}" for n, c in enumerate(CASES)])
def test_a_rule(rule: str, change: dict[str, str], remedy: str, tmp_path: Path) -> None:
    found = problems(tmp_path, **change)
    matching = [p for p in found if p.rule == rule and p.item == "own_item" and remedy in p.remedy]
    assert matching, [str(p) for p in found]
    assert matching[0].file == "regions/own.yaml"
    assert (matching[0].line or 0) > len(HEAD.splitlines())


IN_ORDER = [
    {"bad": f"codes: [{MASS} wider]"},
    {"bad": f"codes: [{MASS} wider by site (ours is of one place)]"},
    {"bad": f"maps: [{SWOLLEN} inexact (ours is another), {MASS} relatedto]"},
    {"bad": f"codes: [{MASS} wider, {SEVERE} wider]"},
    {"bad": f"codes: [{ABSENT} wider]"},
    {"bad": f"codes: [{SEVERE} wider]", "question": f"codes: [{NUMBER} wider]"},
    {"bad": "own_question: true", "question": f"codes: [{NUMBER} wider]"},
    {"bad": f"codes: [{HPO} wider]"},
]


@pytest.mark.parametrize("change", IN_ORDER)
def test_what_is_in_order(change: dict[str, str], tmp_path: Path) -> None:
    assert [str(problem) for problem in problems(tmp_path, **change)] == []


def test_answers_of_one_wording_are_coded_alike(tmp_path: Path) -> None:
    wide = HEAD + ITEM.format(question=NONE, fine="", bad=f", codes: [{MASS} wider, {SEVERE} wider]")
    bare = HEAD.replace("hips", "back") + ITEM.format(question=NONE, fine="", bad="")
    bare = bare.replace("own_item", "other_item").replace("9001", "9002")
    found = problems(tmp_path, regions__own=wide, regions__other=bare)
    assert [(p.rule, "Quite bad" in p.what) for p in found if "item" in p.item] == [("unequal-answers", True)]


def test_a_site_gives_its_own_name_to_a_code_once(tmp_path: Path) -> None:
    systems = "- {id: house, uri: 'urn:oid:2.999.7', label: House, local: true}\n"
    first = {
        "question": NONE,
        "fine": "codes: [house A1 |Fine| equivalent]",
        "bad": "codes: [house B1 |Bad| equivalent]",
    }
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    assert problems(tmp_path / "one", systems=systems, **first) == []
    second = {**first, "bad": "codes: [house B1 |Bad| equivalent, house A1 |Well| wider]"}
    assert "two-displays" in [p.rule for p in problems(tmp_path / "two", systems=systems, **second)]


@pytest.mark.parametrize("status", ["look-alike", "candidate", "extension"])
def test_look_alikes_and_candidates_are_refused(status: str, tmp_path: Path, catalogue: Catalogue) -> None:
    row = next(r for r in catalogue.verified.values() if r.status == status and r.system == "snomed")
    found = problems(tmp_path, bad=f"codes: [snomed {row.code} wider]")
    # an extension's code may fail as a concept of the international edition already
    assert [p for p in found if p.rule in ("not-verified", "check-digit") and p.item == "own_item"]


def test_a_place_of_the_body_is_a_structure(tmp_path: Path) -> None:
    sites = "- {id: own_site, label: Own, codes: [snomed 271860004 |Abdominal mass| wider]}\n"
    found = [p for p in problems(tmp_path, sites=sites) if p.rule == "code-role"]
    assert ["body structure" in p.remedy for p in found] == [True]


def test_who_graded_is_who_wrote_it(tmp_path: Path) -> None:
    """A site's own grades are the site's, the shipped ones the project's, and a named giver stands above both."""
    problems(tmp_path, bad=f"codes: [{MASS} wider, {SWOLLEN} wider by project]")
    site = load_catalogue(tmp_path)
    answer = site.items["own_item"].answer("bad")
    assert answer is not None
    assert [code.by for code in answer.codes] == ["site", "project"]
    assert {code.by for code in site.items["weight"].codes} == {"project"}


def test_every_code_that_is_used_says_where_it_was_seen(catalogue: Catalogue) -> None:
    used = {(code.system, code.code) for _, code in catalogue.codes() if code.system in ("loinc", "snomed", "hpo")}
    assert used
    assert [key for key in used if not catalogue.verified[key].seen or not catalogue.verified[key].kind] == []
