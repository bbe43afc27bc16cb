"""Mistakes that a reader of the folder would not see: rules that never or always hold, ranges that never decide, two
things that look alike, tables in the wrong unit. Cases as in ``test_mistakes_of_a_site``."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_mistakes_of_a_site import GROWTH, HUMAN, RULE, TABLE, Mistake, choice, item, told_at_its_line


def rule(when: str) -> dict[str, str]:
    return {"rules.yaml": (RULE % ("x", " #!")).replace("{item: murmur, answers: [x]}", when)}


def both(one: str, other: str) -> dict[str, str]:
    return rule(f"{{all: [{one}, {other}]}}")


LOUD = "{item: murmur, answers: [loud_or_thrill]}"
TOP = '- {low: ">=50", meaning: abnormal, flag: H, source: CP}'
REPLACED = RULE % ("loud_or_thrill", "\n  replaces: [%s] #!")
SITE = {"site.yaml": "growth_reference: ours\n", "growth/ours.yaml": GROWTH}
WEIGHTS = "".join(
    f"weight,{sex},{week},{week}00,{week}50,{week}90\n" for sex in ("female", "male") for week in (38, 39)
)
CLAIM = "- {id: p, url: 'https://h.example/P', resource: Observation, items: [temperature], %s} #!\n"
BAD = "- {id: bad, label: All is bad, meaning: abnormal, urgency: tell}"
NEVER, REACH = "never-holds", "range-unreachable"

MISTAKES: dict[str, Mistake] = {
    "a rule of two ages": (
        both('{age_hours: {high: "<24"}}', '{age_hours: {low: ">=24"}}'),
        NEVER,
        "at once",
        "together",
    ),
    "a rule of no gestation": (both('{gestation_weeks: {low: ">50"}}', LOUD), NEVER, "'>50' weeks", "20 to 45"),
    "a rule of a girl's testis": (both("{sex: female}", "{item: testis, meanings: [abnormal]}"), NEVER, "both", ""),
    "a rule of ages that only touch": (
        both('{age_hours: {low: ">5"}}', '{age_hours: {low: ">=5", high: "<=5"}}'),
        NEVER,
        "",
        "",
    ),
    "a rule of no sex": (both("{sex: boy}", LOUD), NEVER, "'boy'", "female, male"),
    "a rule of what is recorded and is not": (both("{item: murmur, not_recorded: true}", LOUD), NEVER, "murmur", ""),
    "a rule of a flag that no range gives": (rule("{item: murmur, flags: [L]}"), NEVER, "flag L", "A, N"),
    "a rule of what rules find": (rule("{item: cross_finding, meanings: [abnormal]}"), NEVER, "rules find", "other"),
    "a rule that asks the same twice": (
        rule(f"{{at_least: 2, of: [{LOUD}, {LOUD}]}}"),
        NEVER,
        "the same twice",
        "once",
    ),
    "a rule of any number": (rule('{item: heart_rate, number: {low: ">=0"}}'), "always-holds", "every newborn", ""),
    "a rule of any meaning, or none": (
        rule("{any: [{item: murmur, not_recorded: true}, {item: murmur, meanings: [expected, variant, abnormal]}]}"),
        "always-holds",
        "every newborn",
        "sets these",
    ),
    "two rules that replace each other": (
        {"rules.yaml": REPLACED % "own_two" + (REPLACED % "own_rule").replace("id: own_rule", "id: own_two")},
        "never-told",
        "none of them",
        "one of them",
    ),
    "a rule that is told later than what it replaces": (
        {"rules.yaml": REPLACED % "duct_dependent_circulation"},
        "told-later",
        "tell-now",
        "no lower",
    ),
    "a rule without words": (
        {"rules.yaml": (RULE % ("loud_or_thrill", "")).replace("Invented rule", '" " #!')},
        "blank",
        "no words",
        "label",
    ),
    "nothing is judged any more": (
        {"not_judged.yaml": "# ours\n- {id: ours, label: Ours, source: CP} #!\n"},
        "always-holds",
        "every number",
        "items",
    ),
    "a range after one that holds all of it": (
        item(TOP, f'{TOP}\n  - {{low: ">=60", meaning: abnormal, flag: HH, source: CP, when: {{sex: male}}}}'),
        REACH,
        "never decides",
        "before them",
    ),
    "a range outside what is possible": (
        item(TOP, f'{TOP}\n  - {{low: ">200", meaning: abnormal, flag: HH, source: CP}}'),
        REACH,
        "outside what is possible",
        "limits",
    ),
    "a range of no age": (
        item(TOP, TOP.replace("source", 'when: {age_hours: {low: ">24", high: "<12"}}, source')),
        REACH,
        "no infant",
        "low before high",
    ),
    "a range of a state that is not asked": (
        item(TOP, TOP.replace("source", "when: {states: [crying]}, source")),
        REACH,
        "state crying",
        "without states",
    ),
    "an abnormal range flagged normal": (item(TOP, TOP.replace("flag: H", "flag: N")), "range-flag", "flag N", "L"),
    "a top range flagged low": (item(TOP, TOP.replace("flag: H", "flag: L")), "range-flag", "at the top", "H or HH"),
    "two answers of one name": (choice(BAD, BAD.replace("All is bad", "all  is fine")), "same-words", "fine", ""),
    "two names for one infant's state": (
        {"states.yaml": "# ours\n- {id: shouting, label: Crying} #!\n"},
        "same-words",
        "so is crying",
        "other words",
    ),
    "a spelling of another unit": (
        {"units.yaml": "# ours\n- {ucum: kg, spellings: [g]} #!\n"},
        "same-unit",
        "'g'",
        "alone",
    ),
    "a unit shown as another": (
        {"units.yaml": "# ours\n- {ucum: kg, printed: g} #!\n"},
        "same-unit",
        "as 'g'",
        "no other",
    ),
    "two codes of the house for one item": (
        {
            "systems.yaml": HUMAN,
            "local_codes.yaml": "- system: ward\n  items: {murmur: M1} #!\n- system: ward\n  items: {murmur: M2}\n",
        },
        "two-codes",
        "M1 and M2",
        "one meaning",
    ),
    "a code of the house in two words": (
        {"systems.yaml": HUMAN, "local_codes.yaml": "- system: ward\n  items:\n    cry: C1\n    murmur: M 1 #!\n"},
        "local-codes",
        "'M 1'",
        "HR01",
    ),
    "a profile claimed twice": (
        {
            "profiles.yaml": "- {id: p, url: 'https://h.example/P', resource: Patient}\n"
            "- {id: q, url: 'https://h.example/P', resource: Patient} #!\n"
        },
        "profile-claim",
        "as p does",
        "one of the two",
    ),
    "a component of a code that nobody verified": (
        {"profiles.yaml": CLAIM % "components: {inspired_oxygen: loinc 3151-8 equivalent}"},
        "profile-claim",
        "3151-8",
        "codes.csv",
    ),
    "a component of an answer": (
        {"profiles.yaml": CLAIM % "components: {murmur: loinc 8867-4 equivalent}"},
        "profile-claim",
        "'murmur'",
        "one number",
    ),
    "an OID that no register can give": (
        {"site.yaml": "identifier_systems:\n  mrn: urn:oid:1.40.3 #!\n"},
        "setting",
        "1.40.3",
        "2.999.1",
    ),
    "bands of size that do not ascend": (
        {"site.yaml": "# ours\nsize_bands: {severe: 10, small: 3, large: 90, source: S28b} #!\n"},
        "setting",
        "do not ascend",
        "severe <=",
    ),
    "a growth table of one sex": (
        {**SITE, "growth/ours.csv": TABLE + WEIGHTS.partition("weight,male")[0]},
        "growth-gap",
        "sex male",
        "missing",
    ),
    "a growth table in kilograms": (
        {**SITE, "growth/ours.csv": TABLE + "weight,female,38,2.8,3.4,4.1\n"},
        "growth-value",
        "2.8",
        "grams",
    ),
    "a growth table without a centile that is asked": (
        {**SITE, "growth/ours.csv": TABLE + WEIGHTS},
        "growth-centile",
        "c3",
        "size_bands",
    ),
    "a growth table of words": (
        {**SITE, "growth/ours.csv": TABLE + "weight,female,38,2800,many,4100 #!\n"},
        "wrong-file",
        "row 2",
        "",
    ),
    "a growth table of endless words": (
        {**SITE, "growth/ours.csv": TABLE + f"weight,female,38,2800,{'x' * 140_000} #!\n"},
        "wrong-file",
        "field larger",
        "",
    ),
    "codes without their columns": ({"codes.csv": "system,code\nloinc,1 #!\n"}, "wrong-file", "display", "columns"),
    "a kind of no age": (
        {"kinds.yaml": "# ours\n- {id: night, label: Night, age_hours: {low: '>48', high: '<24'}} #!\n"},
        NEVER,
        "no age",
        "low before high",
    ),
    "a choice that there is not": ({"site.yaml": "# ours\nfhir: R6 #!\n"}, "wrong-field", "'R6'", "'R4', 'R4B'"),
    "a canonical with a slash": (
        {"site.yaml": "# ours\ncanonical: https://h.example/ #!\n"},
        "wrong-field",
        "canonical",
        "without a slash",
    ),
    "a word that is empty": (
        {"site.yaml": "language: de\n", "labels/de.yaml": "language: de\nitems:\n  cry: Schreien\n  murmur: '' #!\n"},
        "labels",
        "not a text",
        "words",
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_it_is_told_at_its_line(mistake: str, tmp_path: Path) -> None:
    told_at_its_line(MISTAKES[mistake], tmp_path)
