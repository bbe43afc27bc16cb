"""What a clinician of the site has signed, and what every list says where nobody has."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

from rule_cases.words import GRUNT, RATE_61
from scenes import CATALOGUE, missed, read, said, scene, tells

from adapter.catalogue import Signature, load_catalogue
from adapter.catalogue.lint import lint
from adapter.cli.reporting import tells_in_words
from adapter.cli.rules import rules_as_data, rules_in_words
from adapter.derive.signed import signature, signed_in_words
from adapter.exam import Urgency

NOW = CATALOGUE.settings.version
EXAM = scene(
    GRUNT, RATE_61, read("birth_weight", "2400", "g"), said("cry", "hoarse"), missed("red_reflex", side="left")
)


def signed(**more: object) -> dict[str, Signature]:
    one = Signature.model_validate({"id": "one", "role": "physician", "date": "2026-11-20", "version": NOW, **more})
    return {one.id: one}


def by(signatures: dict[str, Signature]) -> list[str]:
    """The rules of the lines that are signed."""
    catalogue = replace(CATALOGUE, signatures=signatures)
    return [line.rule for line in tells(EXAM, catalogue) if signature(line, catalogue)]


def test_nothing_is_signed_as_it_ships() -> None:
    lines = tells(EXAM)
    assert by({}) == []
    assert f"{len(lines)} of {len(lines)} lines" in signed_in_words(lines, CATALOGUE)
    assert rules_in_words(CATALOGUE).count("not signed here\n") > 200
    assert all(line["signed"] is None for line in rules_as_data(CATALOGUE)["lines"])


def test_whoever_checks_an_exam_reads_how_many_lines_nobody_signed() -> None:
    lines = tells(EXAM)
    assert f"{len(lines)} of {len(lines)} lines" in "\n".join(tells_in_words(EXAM, CATALOGUE))


def test_a_rule_a_range_and_an_answer_are_signed_each_for_themselves() -> None:
    assert by(signed(rules=["breathing_distress"])) == ["breathing_distress"]
    assert by(signed(ranges=["birth_weight"])) == ["birth_weight[<2500]"]
    assert set(by(signed(answers=["all"]))) == {"cry.hoarse", "red_reflex.not_examined"}
    everything = replace(CATALOGUE, signatures=signed(rules=["all"], ranges=["all"], answers=["all"]))
    assert signed_in_words(tells(EXAM, everything), everything).startswith("Every line of the list was signed here")
    assert "signed here (physician, 2026-11-20)" in rules_in_words(everything)


def test_what_was_signed_for_another_version_is_not_signed_here() -> None:
    old = signed(rules=["all"], version="2026.10")
    assert by(old) == []
    said_so = rules_in_words(replace(CATALOGUE, signatures=old))
    assert f"not signed here for catalogue {NOW}: for 2026.10 alone (physician, 2026-11-20)" in said_so


def test_what_an_examiner_says_needs_no_signature() -> None:
    line = tells(scene(said("cry", "strong_lusty", urgency=Urgency.TELL)))
    assert [one.rule for one in line] == ["examiner"]
    assert signed_in_words(line, CATALOGUE) == ""


def test_a_site_signs_in_its_folder_and_every_fault_is_named(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text("{}", encoding="utf-8")
    right = f'- {{id: a, role: physician, date: 2026-11-20, version: "{NOW}", rules: [all]}}\n'
    wrong = (
        f'- {{id: b, role: wizard, date: {date.max}, version: "1", rules: [nil], ranges: [cry], answers: [nil]}}\n'
    )
    (tmp_path / "signatures.yaml").write_text(right + wrong, encoding="utf-8")
    catalogue = load_catalogue(tmp_path)
    assert catalogue.signatures["a"].covers("rules", "hip_scan")
    found = {(p.rule, p.what) for p in lint(catalogue) if "signature" in p.what}
    assert {what.partition(": ")[2] for _, what in found} == {
        "there is no role 'wizard'",
        f"its date {date.max} is not yet",
        "there is no rule 'nil'",
        "there is no item with ranges 'cry'",
        "there is no item with answers 'nil'",
    }
