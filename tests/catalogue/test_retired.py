"""What a site has retired: offered nowhere, refused in new records with what to use instead, read in old ones."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.lint import lint
from adapter.exam import Exam
from adapter.fhir.json import dumps, loads
from adapter.forms import to_questionnaire, to_response
from adapter.forms.page import to_page
from adapter.forms.worksheet import to_worksheet
from adapter.problems import Severity
from adapter.read import Reading, read, read_captures, to_json
from adapter.read.bundle import from_bundle
from adapter.read.draft.words import words_of
from adapter.read.oru import from_oru
from adapter.read.plan import load_plan, plan_schema
from adapter.read.questionnaire.sheet import NotInForm
from adapter.run.rehearsal.rehearse import some_exams
from adapter.write import write
from adapter.write.package.codesystems import code_systems
from adapter.write.tables import TABLES
from examples.regenerate import example
from messages import unjudged_oru

REGION = """region: skin
items:
- {id: vernix, on: false, use: skin_texture, since: 2026-12-01}
- id: lanugo
  answers:
  - {id: mostly_bald_back, on: false, use: thinning}
"""
EXAM = example("d01-well-term-girl")
"""It holds both, and is of November 2026."""
PLAN = """plan: 1
exam:
  {id: {column: id}, kind: shift, started: "2026-12-02T12:30:00+00:00", examiners: [{role: nurse, name: A. Example}]}
newborn: {identifiers: [{system: mrn, value: {column: id}}], sex: female, birth_time: "2026-12-01T12:00:00+00:00"}
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    folder = tmp_path_factory.mktemp("site")
    (folder / "regions").mkdir()
    (folder / "regions" / "skin.yaml").write_text(REGION)
    catalogue = load_catalogue(folder)
    assert [str(problem) for problem in lint(catalogue)] == []
    return catalogue


def captured(catalogue: Catalogue, tmp_path: Path, started: str = "", **exam: str) -> Reading:
    """The example's record, begun at another time or as another version."""
    record = json.loads(to_json(EXAM))
    record["exam"] |= exam
    path = tmp_path / "exam.json"
    path.write_text(json.dumps(record).replace("2026-11-0", started or "2026-11-0"))
    (reading,) = read_captures(path, catalogue)
    return reading


def retired(reading: Reading) -> list[tuple[str, str, Severity]]:
    return [(one.item, one.remedy, one.severity) for one in reading.problems if one.rule == "retired"]


def test_it_is_offered_nowhere(site: Catalogue) -> None:
    assert "vernix" not in {item.id for kind in site.kinds for item in site.expected(kind)}
    form, page = dumps(to_questionnaire(site, "initial")).decode(), to_page(site).decode()
    for made, word in ((form, '"vernix"'), (page, '"vernix"'), (json.dumps(plan_schema(site)), '"vernix"')):
        assert word not in made
    assert "Vernix" not in to_worksheet(site, "initial").decode()
    assert "lanugo.mostly_bald_back" not in form
    assert "Back mostly bald" not in to_worksheet(site, "initial").decode()
    assert "mostly_bald_back" not in page
    assert words_of(site).known("Vernix").targets == ()
    assert {"vernix", "mostly_bald_back"} & {word for exam in some_exams(site) for word in said(exam)} == set()


def said(exam: Exam) -> set[str]:
    return {one.item for one in exam.findings} | {one.answer or "" for one in exam.findings}


def test_a_new_record_is_refused_and_told_what_to_use(site: Catalogue, tmp_path: Path) -> None:
    assert retired(captured(site, tmp_path)) == [("lanugo", "use thinning", Severity.ERROR)]
    new = retired(captured(site, tmp_path, started="2026-12-0"))
    assert new == [("vernix", "use skin_texture", Severity.ERROR), ("lanugo", "use thinning", Severity.ERROR)]
    correction = captured(site, tmp_path, id="v2", status="amended", amends="demo-d01", reason="Why")
    assert retired(correction) == [("lanugo", "use thinning", Severity.WARNING)]
    assert correction.accepted


def test_the_package_says_that_they_are_inactive(site: Catalogue) -> None:
    """R4 concept-properties: ``inactive``. What is retired stays in the code system, since what was sent holds it."""
    found = {}
    for system in code_systems(site):
        for concept in system["concept"]:
            if {"code": "inactive", "valueBoolean": True} in concept.get("property", ()):
                found[concept["code"]] = {one["code"]: one["type"] for one in system["property"]}["inactive"]
    assert found == {"vernix": "boolean", "lanugo.mostly_bald_back": "boolean"}


def test_what_was_made_before_is_read(site: Catalogue) -> None:
    for kind in ("transaction", "document"):
        bundle = loads(write(EXAM, load_catalogue(), kind))
        assert from_bundle(bundle, site) == [EXAM]
        assert [reading.errors for reading in read(bundle, site)] == [()]
    assert {"vernix", "mostly_bald_back"} <= said(from_oru(unjudged_oru(EXAM, load_catalogue()), site)[0])
    rows = TABLES["findings"].rows(EXAM, site)
    assert any("vernix" in repr(row) for row in rows)


def test_a_form_made_before_is_told_what_to_use(site: Catalogue) -> None:
    response = to_response(EXAM, load_catalogue())
    with pytest.raises(NotInForm, match="vernix is retired"):
        to_response(EXAM, site)
    (reading,) = read([response], site)
    assert ("vernix", "use skin_texture") in {(p.item or "vernix", p.remedy) for p in reading.errors}


@pytest.mark.parametrize(
    ("finding", "told"),
    [
        ("{item: lanugo, value: {column: a, map: {x: mostly_bald_back, y: thinning}}}", [("use thinning", 5)]),
        ("{item: vernix, value: {column: a, map: {x: in_folds}}}", []),
    ],
    ids=["always", "from a day on"],
)
def test_a_column_plan_is_told_of_what_no_row_may_hold(
    finding: str, told: list[tuple[str, int]], site: Catalogue, tmp_path: Path
) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(f"{PLAN}findings: [{finding}]\n")
    _, problems = load_plan(path, site)
    assert [(one.remedy, one.line) for one in problems if one.rule == "retired"] == told


FAULTS = {
    "a rule needs the item": ("- {id: jaundice, on: false} #!", "needed by rule"),
    "a rule needs the answer": (
        "- id: skin_turgor\n  answers:\n  - {id: slow, on: false} #!", "needed by rule dehydration",
    ),
    "another answer counts as it": (
        "- id: vernix\n  answers:\n  - {id: in_folds, on: false} #!", "answer abundant_preterm (otherwise)",
    ),
    "nothing is called so": ("- {id: vernix, on: false, use: vernixx} #!", "'vernixx' cannot be used"),
    "it is retired too": (
        "- {id: vernix, on: false, use: lanugo} #!\n- {id: lanugo, on: false}", "'lanugo' cannot be used",
    ),
    "it is not retired": ("- {id: vernix, use: lanugo} #!", "is not retired"),
    "no answer is left": (
        "- id: lanugo\n  answers: #!\n" + "".join(
            f"  - {{id: {one}, on: false}}\n" for one in ("mostly_bald_back", "thinning", "abundant", "sparse")
        ), "every answer",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("items", "what"), FAULTS.values(), ids=FAULTS)
def test_what_cannot_be_retired_is_told_at_its_line(items: str, what: str, tmp_path: Path) -> None:
    (tmp_path / "regions").mkdir()
    text = f"region: skin\nitems:\n{items}\n"
    (tmp_path / "regions" / "skin.yaml").write_text(text)
    line = next(n for n, one in enumerate(text.splitlines(), start=1) if one.endswith("#!"))
    found = [one for one in lint(load_catalogue(tmp_path)) if one.rule == "retired" and one.line == line]
    assert any(what in one.what for one in found), [str(one) for one in lint(load_catalogue(tmp_path))]
    assert all(one.remedy and one.file == "regions/skin.yaml" for one in found)
