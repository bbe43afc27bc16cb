"""Rules, screens and estimates as a site's data: switched off, changed, added, and every fault of them named."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapter.catalogue import CatalogueError, load_catalogue
from adapter.catalogue.lint import lint
from adapter.exam import Urgency
from adapter.problems import Problem

RULE = """
- id: own_rule
  label: Invented rule
  on: true
  urgency: tell
  reason: Invented for a test
  source: CP
  when: {item: nasal_flaring, answers: [marked]}
"""


def site(folder: Path, rules: str, settings: str = "{}") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "rules.yaml").write_text(rules, encoding="utf-8")
    (folder / "site.yaml").write_text(settings, encoding="utf-8")
    return folder


def faults(folder: Path, rules: str, settings: str = "{}") -> list[Problem]:
    try:
        return lint(load_catalogue(site(folder, rules, settings)))
    except CatalogueError as error:
        return error.problems


def test_a_site_switches_off_changes_and_adds(tmp_path: Path) -> None:
    text = "- {id: stop_feeds, on: false}\n- {id: hip_scan, urgency: tell-now}\n" + RULE.lstrip()
    catalogue = load_catalogue(site(tmp_path, text))
    shipped = load_catalogue()
    assert lint(catalogue) == []
    assert not catalogue.rules["stop_feeds"].on
    assert catalogue.rules["hip_scan"].urgency is Urgency.TELL_NOW
    assert catalogue.rules["hip_scan"].when == shipped.rules["hip_scan"].when
    assert set(catalogue.rules) - set(shipped.rules) == {"own_rule"}


def test_a_condition_is_replaced_whole(tmp_path: Path) -> None:
    text = "- {id: breathing_distress, when: {item: grunting, answers: [audible_unaided]}}"
    catalogue = load_catalogue(site(tmp_path, text))
    assert catalogue.rules["breathing_distress"].when.item == "grunting"
    assert catalogue.rules["breathing_distress"].when.all == ()


@pytest.mark.parametrize(
    ("old", "new", "rule", "said"),
    [
        ("nasal_flaring", "nasal_flair", "unknown-reference", "item 'nasal_flair'"),
        ("[marked]", "[huge]", "unknown-reference", "no answer 'huge'"),
        ("source: CP", "source: nowhere", "unknown-reference", "source 'nowhere'"),
        ("source: CP", "source: MEMORY", "unsigned-rule", "rests on memory"),
        ("urgency: tell", "urgency: none", "rule-says-nothing", "urgency is none"),
        ("label: Invented rule", f"label: {'Long' * 50}", "too-long", "characters together"),
        ("answers: [marked]", "number: {low: '>3'}", "never-holds", "has no number"),
        (", answers: [marked]", "", "rule-asks-nothing", "asks nothing"),
        ("answers: [marked]", "not_examined: [bored]", "unknown-reference", "no reason 'bored'"),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{item: weight, number: {low: '>9000'}}",
            "never-holds",
            "possible",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{age_hours: {low: '>9', high: '<9'}}",
            "never-holds",
            "holds no number",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{all: [{item: palate, answers: [cleft_soft]}, {item: palate, answers: [high_arch]}]}",
            "never-holds",
            "cannot be both",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{item: length, minus: {item: weight}, number: {low: '>9'}}",
            "never-holds",
            "cannot be taken from",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{item: blood_pressure, number: {low: '>90'}}",
            "never-holds",
            "several numbers",
        ),
        ("reason: Invented for a test", "replaces: [own_rule]\n  reason: x", "unknown-reference", "is no other rule"),
        ("reason: Invented for a test", "answered_by: [nothing]\n  reason: x", "unknown-reference", "is no item"),
        ("  source: CP\n", "", "wrong-field", "Field required"),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{at_least: 3, of: [{item: palate, answers: [cleft_soft]}]}",
            "wrong-field",
            "can never hold",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{item: palate, all: [{item: palate, answers: [cleft_soft]}]}",
            "wrong-field",
            "one group",
        ),
        ("{item: nasal_flaring, answers: [marked]}", "{answers: [marked]}", "wrong-field", "without an item"),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{not_examined: [bored]}",
            "unknown-reference",
            "no reason 'bored'",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{both_sides: true, any: [{item: nasal_flaring, answers: [marked]}]}",
            "both-sides",
            "not examined on each",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{both_sides: true, same_side: true, any: [{item: testis, answers: [not_felt]}]}",
            "wrong-field",
            "never both",
        ),
        (
            "{item: nasal_flaring, answers: [marked]}",
            "{both_sides: true, item: testis, answers: [not_felt]}",
            "wrong-field",
            "belong to a group",
        ),
        ("when:", "wenn:", "unknown-field", "there is no 'wenn' here"),
    ],
)
def test_a_fault_of_a_rule_is_named_with_its_place(tmp_path: Path, old: str, new: str, rule: str, said: str) -> None:
    assert faults(tmp_path / "fine", RULE) == []
    assert old in RULE
    found = faults(tmp_path / "broken", RULE.replace(old, new))
    assert rule in {problem.rule for problem in found}
    (one, *_) = [problem for problem in found if problem.rule == rule and said in problem.what]
    assert one.file == "rules.yaml"
    assert (one.line or 0) >= 2


def test_an_id_given_twice_is_a_fault(tmp_path: Path) -> None:
    (one,) = faults(tmp_path, RULE + RULE.lstrip())
    assert "stands twice" in one.what


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ("cchd_version: r1999", "cchd_version 'r1999'"),
        ("size_bands: {severe: 3, small: 10, large: 90, source: x}", "'x'"),
    ],
)
def test_a_setting_that_names_what_is_not_there(tmp_path: Path, settings: str, said: str) -> None:
    (one,) = faults(tmp_path, RULE, settings)
    assert said in one.what


def test_every_rule_that_rests_on_memory_ships_switched_off() -> None:
    catalogue = load_catalogue()
    for rule in catalogue.rules.values():
        assert not rule.on or catalogue.sources[rule.source].mark != "memory", rule.id
        assert rule.on or "clinician" in rule.reason, rule.id


HEAD = "region: vital_signs\nitems:\n"


@pytest.mark.parametrize(
    ("caution", "item", "fits"),
    [
        ("With fever it is told now.", "rooting", False),
        ("Off the line: seen by a senior within 24 h.", "rooting", False),
        ("With another sign it is told now by the rule reflexes_weak_together.", "rooting", False),  # this shift only
        ("With others it is told this shift by the rule reflexes_weak_together.", "rooting", True),
        ("Told now by the rule no_such_rule.", "rooting", False),
        ("Look again within 24 h.", "rooting", True),
        ("A cloudy one is told now.", "cornea", True),
    ],
)
def test_a_caution_that_names_an_urgency_names_what_computes_it(
    tmp_path: Path, caution: str, item: str, fits: bool
) -> None:
    region = {"rooting": "reflexes", "cornea": "eyes"}[item]
    (tmp_path / "regions").mkdir()
    text = f"region: {region}\nitems:\n- {{id: {item}, caution: '{caution}'}}\n"
    (tmp_path / "regions" / "one.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "site.yaml").write_text("{}", encoding="utf-8")
    found = lint(load_catalogue(tmp_path))
    assert [problem.rule for problem in found] == ([] if fits else ["caution-without-rule"])
    assert all(problem.item == item for problem in found)


@pytest.mark.parametrize(
    ("item", "rule"),
    [
        ("- {id: temperature, compare_sides: true}", "compare-sides"),
        ("- {id: temperature, other_units: [{unit: mmol/L}]}", "unknown-unit"),
        ("- {id: temperature, other_units: [{unit: furlong}]}", "unknown-unit"),
    ],
)
def test_sides_and_units_of_an_item_must_fit(tmp_path: Path, item: str, rule: str) -> None:
    (tmp_path / "regions").mkdir()
    (tmp_path / "regions" / "own.yaml").write_text(HEAD + item, encoding="utf-8")
    assert rule in {problem.rule for problem in faults(tmp_path, "[]")}


def test_a_code_of_one_property_is_refused_for_a_unit_of_the_other(tmp_path: Path) -> None:
    """LOINC 41653-7 is a mass concentration (MCnc), 14743-9 a substance concentration (SCnc)."""
    own = "- id: glucose\n  other_units: [{unit: mmol/L, codes: ['loinc 41653-7 |%s|']}]"
    name = "Glucose [Mass/volume] in Capillary blood by Glucometer"
    (tmp_path / "regions").mkdir()
    text = f"region: tests_screens\nitems:\n{own % name}\n"
    (tmp_path / "regions" / "own.yaml").write_text(text, encoding="utf-8")
    assert "wrong-dimension" in {problem.rule for problem in faults(tmp_path, "[]")}


OVER_EXAMS = [
    ("{item: palate, answers: [cleft_soft], earlier: true}", "rule-asks-nothing", "by earlier exams alone"),
    (
        "{at_least: 1, of: [{item: moro, answers: [absent_both], earlier: true}, {item: jaw, meanings: [abnormal]}]}",
        "rule-asks-nothing",
        "by earlier exams alone",
    ),
    ("{item: palate, change: {low: '>1'}}", "never-holds", "has no number"),
    ("{item: blood_pressure, change: {low: '>9'}}", "never-holds", "several numbers"),
    ("{item: weight, change: {low: '>=0'}}", "rule-asks-nothing", "nothing changed"),
    ("{item: weight, change: {high: '<-8000'}}", "never-holds", "no two values"),
    ("{item: side_difference, meanings: [abnormal], times: 2}", "never-holds", "said of each exam by itself"),
    ("{item: grunting, answers: [first_minutes_after_birth], times: 2}", "never-holds", "counts as another answer"),
]
OF_NO_FORM = [
    ("{item: palate, answers: [cleft_soft], times: 1}", "greater than or equal to 2"),
    ("{item: palate, answers: [cleft_soft], times: 2, within_hours: 0}", "greater than 0"),
    ("{item: palate, answers: [cleft_soft], within_hours: 6}", "goes with never, times, change or a group"),
    ("{item: palate, answers: [cleft_soft], ever: true}", "ever belongs to a group"),
    ("{ever: true, within_hours: 6, any: [{item: palate, meanings: [abnormal]}]}", "without within_hours"),
    ("{ever: true, any: [{item: palate, never: true}]}", "asks for what was found"),
    ("{item: palate, never: true, earlier: true}", "one of earlier, never"),
    ("{within_hours: 6, any: [{item: palate, not_recorded: true}]}", "asks for what was found"),
    ("{within_hours: 6, any: [{not_examined: [any]}]}", "asks for what was found"),
    ("{item: palate, answers: [cleft_soft], times: 2, earlier: true}", "one of earlier, never, times"),
    ("{item: palate, not_recorded: true, times: 2}", "one of earlier, never, times"),
    ("{age_hours: {low: '>9'}, times: 2}", "without an item"),
]


def _each(conditions: list[str]) -> str:
    marked = "{item: nasal_flaring, answers: [marked]}"
    return "".join(
        RULE.replace("own_rule", f"own_{n}").replace("Invented rule", f"Invented rule {n}").replace(marked, one)
        for n, one in enumerate(conditions)
    )


def test_what_asks_of_several_exams_wrongly_is_named(tmp_path: Path) -> None:
    found = faults(tmp_path, _each([one for one, *_ in OVER_EXAMS]))
    for n, (_, rule, said) in enumerate(OVER_EXAMS):
        assert [p.rule for p in found if f"rule own_{n}:" in p.what and said in p.what] == [rule], said
    of_no_form = faults(tmp_path / "form", _each([one for one, _ in OF_NO_FORM]))
    assert len(of_no_form) == len(OF_NO_FORM)
    for problem, (_, said) in zip(of_no_form, OF_NO_FORM, strict=True):
        assert said in problem.what
    right = [
        "{all: [{item: murmur, answers: [none_heard], earlier: true}, {item: murmur, answers: [loud_or_thrill]}]}",
        "{item: weight, change: {high: '<-50'}, within_hours: 24}",
        "{within_hours: 6, all: [{item: palate, meanings: [abnormal]}, {item: jaw, meanings: [abnormal]}]}",
        "{ever: true, all: [{item: palate, meanings: [abnormal]}, {item: jaw, meanings: [abnormal]}]}",
        "{all: [{item: weight_change_percent, number: {high: '<-7'}, times: 2}, {item: glucose, never: true}]}",
        # of an item with sides two answers may be found together, one on each
        "{all: [{item: femoral_pulse, answers: [weak]}, {item: femoral_pulse, answers: [absent]}]}",
    ]
    assert faults(tmp_path / "right", _each(right)) == []
