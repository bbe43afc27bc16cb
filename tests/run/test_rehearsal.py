"""A site's folder is rehearsed: what falls short is named by item, reason and form, at its own file and line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from adapter.catalogue import Catalogue, load_catalogue
from adapter.cli import cli
from adapter.derive.every_rule import Played, held
from adapter.derive.every_use import some_exams
from adapter.exam import Exam, Finding, Score
from adapter.problems import Layer, Problem, Severity
from adapter.read import check_exam
from adapter.run.rehearsal import Form, forms_of, rules_at_work, short_of
from adapter.validate import Validator, load_packages


def site(folder: Path, **files: str) -> Catalogue:
    for name, content in files.items():
        path = folder / f"{name.replace('__', '/')}.yaml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(content)
    return load_catalogue(folder)


def short(catalogue: Catalogue, form: str, exams: list[Exam], packages: tuple[Path, ...] = ()) -> list[Problem]:
    """The exams rehearsed in one form, where the slow judges are asked of none."""
    validator = Validator(packages=load_packages(packages))
    (one,) = (f for f in forms_of(catalogue, validator, ()) if f.name == form)
    return list(short_of(one, exams, catalogue))


def test_everything_of_the_catalogue_is_in_some_exams(catalogue: Catalogue) -> None:
    exams = some_exams(catalogue)
    findings = [finding for exam in exams for finding in exam.findings]
    assert {(f.item, f.answer) for f in findings if f.answer} == {
        (item.id, answer.id) for item in catalogue.items.values() for answer in item.answers
    }
    assert {f.not_examined for f in findings if f.not_examined} == set(catalogue.reasons)
    assert {f.state for f in findings if f.state} == set(catalogue.states)
    assert {(f.item, f.site) for f in findings if f.site} == {
        (item.id, site) for item in catalogue.items.values() for site in item.sites
    }
    assert {e.role for exam in exams for e in exam.details.examiners} == set(catalogue.roles)
    assert {exam.details.kind for exam in exams} == set(catalogue.kinds)
    signs = {(f.item, s, a) for f in findings if isinstance(f.value, Score) for s, a in (f.value.signs or {}).items()}
    assert signs == {(i.id, s.id, a.id) for i in catalogue.items.values() for s in i.signs for a in s.answers}
    assert [p for exam in exams for p in check_exam(exam, catalogue) if p.severity == "error"] == []

    roles = {telling.to.role for exam in exams for telling in exam.told}
    assert roles == set(catalogue.roles)


def test_every_rule_has_an_exam_in_which_it_holds_and_is_told(catalogue: Catalogue) -> None:
    rules = {name: rule.model_copy(update={"on": True}) for name, rule in catalogue.rules.items()}
    long = "of_many_words_" * 5 + "and_length"  # as long as an id may be, and longer than that of an exam
    rules[long] = rules["stop_feeds"].model_copy(update={"id": long})
    all_on = replace(catalogue, rules=rules)
    exams, problems = rules_at_work(all_on)
    assert exams.keys() == rules.keys()
    assert problems == []
    played = [one.exam for one in exams.values()]
    assert [Exam.model_validate(exam.model_dump()) for exam in played] == played  # as it is read back
    assert [p for one in exams.values() for p in check_exam(one.exam, catalogue) if p.severity == "error"] == []


def test_a_rule_that_no_finding_can_fire_is_told_at_its_line(tmp_path: Path) -> None:
    young, old = '{item: murmur, meanings: [abnormal], age_hours: {high: "<24"}}', '{age_hours: {low: ">48"}}'
    own = "# ours\n- {id: own, label: Own, on: true, urgency: tell, reason: Invented, source: CP,\n"
    catalogue = site(tmp_path, rules=f"{own}   when: {{all: [{young}, {old}]}}}}\n")
    _, problems = rules_at_work(catalogue)
    assert [(p.file, p.line, p.rule) for p in problems] == [("rules.yaml", 3, "never-holds")]


def test_what_falls_short_with_a_rule_alone_is_the_rules(tmp_path: Path, catalogue: Catalogue) -> None:
    own = "# ours\n- id: stop_feeds\n  label: Feeds are to be stopped\n"
    changed = site(tmp_path, rules=own)
    fired, _ = rules_at_work(changed)
    wrong = Problem(Severity.ERROR, Layer.CATALOGUE, "too-long", "is too long", "shorter words")
    form = Form("a form", lambda exam: [wrong] if "stop_feeds" in held(Played(exam), changed) else [])
    (one,) = short_of(form, [], changed, {"stop_feeds": fired["stop_feeds"].exam})
    assert (one.file, one.line) == ("rules.yaml", 3)
    assert one.what == "a form, rule stop_feeds: is too long"


def test_a_document_in_a_message_is_the_report(catalogue: Catalogue) -> None:
    exam = some_exams(catalogue)[0].model_copy(update={"findings": ()})
    v2 = catalogue.v2.model_copy(update={"document": catalogue.v2.document.model_copy(update={"format": "html"})})
    forms = forms_of(replace(catalogue, v2=v2), Validator(), {exam.details.id})
    (form,) = (form for form in forms if form.name == "v2-document as er7")
    assert form.problems_of(exam) == []


FALLS = ["transaction as json", "v2 as er7", "document as xml", "extract as tables", "extract as ndjson"]


@pytest.mark.parametrize("form", [*FALLS, "extract as omop", "extract as phenopackets", "QuestionnaireResponse"])
def test_what_is_shipped_falls_short_of_nothing(form: str, catalogue: Catalogue) -> None:
    assert short(catalogue, form, some_exams(catalogue)[:1]) == []


def test_a_word_too_long_for_a_message_is_told_where_it_stands(tmp_path: Path) -> None:
    words = f"language: de\nitems:\n  cry: {'Schreien ' * 30}\n"
    catalogue = site(tmp_path, site="language: de\n", labels__de=words)
    (one,) = short(catalogue, "v2 as er7", some_exams(catalogue)[:2])
    assert (one.file, one.line, one.rule) == ("labels/de.yaml", 3, "too-long")
    assert one.what.startswith("v2 as er7, item cry, answer ")


def test_a_limit_of_the_receiver_is_told_in_the_settings_that_set_it(tmp_path: Path) -> None:
    catalogue = site(tmp_path, v2="# ours\nlengths: {OBX-3: 120}\n")
    found = short(catalogue, "v2 as er7", some_exams(catalogue)[:1])
    assert {(p.file, p.line) for p in found} == {("v2.yaml", 2)}
    assert "item apgar_1_min" in {p.what.split(", ")[1] for p in found}


def test_a_form_that_breaks_off_is_a_finding_with_item_and_reason(tmp_path: Path) -> None:
    """Whatever a form raises: which reason it was is found by halves, and told at the site's own line."""
    catalogue = site(tmp_path, reasons="# ours\n- {id: visiting, label: Out of the room, absent: temp-unknown}\n")

    exam = some_exams(catalogue)[0]
    last = Finding(item="red_reflex", side="left", not_examined="visiting")
    exam = exam.model_copy(update={"findings": (*exam.findings, last)})
    broken = replace(catalogue, reasons={k: v for k, v in catalogue.reasons.items() if k != "visiting"})
    (form,) = (f for f in forms_of(broken, Validator(), ()) if f.name == "transaction as json")
    (one,) = short_of(form, [exam], catalogue)
    assert "transaction as json, item red_reflex, side left, reason visiting: breaks off with KeyError" in one.what
    assert (one.file, one.line) == ("reasons.yaml", 2)


def test_a_profile_of_a_package_that_is_not_met_is_told_at_its_claim(tmp_path: Path) -> None:
    profile = """{"resourceType": "StructureDefinition", "url": "https://example.org/P", "name": "P",
      "status": "draft", "kind": "resource", "abstract": false, "type": "Patient", "derivation": "constraint",
      "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
      "differential": {"element": [{"id": "Patient", "path": "Patient"},
        {"id": "Patient.telecom", "path": "Patient.telecom", "min": 1}]}}"""
    (tmp_path / "package").mkdir()
    (tmp_path / "package" / "p.json").write_text(profile)
    claim = "# ours\n- id: patient\n  url: https://example.org/P\n  resource: Patient\n"
    catalogue = site(tmp_path, profiles=claim)
    (one,) = short(catalogue, "transaction as json", some_exams(catalogue)[:1], (tmp_path / "package",))
    assert (one.file, one.rule) == ("profiles.yaml", "profile-cardinality")
    assert one.line is not None
    assert "every exam: Patient.telecom: " in one.what


def test_the_command_says_what_the_linter_refuses(tmp_path: Path) -> None:
    (tmp_path / "rules.yaml").write_text("- {id: stop_feeds, on: maybe}\n")
    result = CliRunner().invoke(cli, ["site", "rehearse", str(tmp_path)])
    assert result.exit_code == 1
    assert "rules.yaml, line 1" in result.output
    assert "Nothing was rehearsed" in result.output
