"""Deliberate mistakes in a site's folder: each is told at its own file and line, with what would be right.

A case is files, the rule, a piece of what is said and of what would be right. The line that is at fault ends with
``#!``; where none does, the fault is of the file as a whole. Further mistakes stand in ``test_lint_site.py``.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import CatalogueError, load_catalogue
from adapter.catalogue.lint import lint
from adapter.problems import Problem
from adapter.write import lint_forms
from drawn import drawn

MAPPINGS = Path(__file__).parents[2] / "mappings"
CODES = (MAPPINGS / "codes.csv").read_text(encoding="utf-8").splitlines()[0]

RULE = """- id: own_rule
  label: Invented rule
  on: true
  urgency: tell
  reason: Invented
  source: CP
  when: {item: murmur, answers: [%s]}%s
"""
ITEM = """region: hips
items:
- id: own_item
  position: 9001
  disturbance: 2
  label: Invented item
  type: quantity
  unit: "/min"
  no_standard_code: Invented.
  limits: {possible: [0, 99], plausible: [10, 90]}
  sources: [CP]
  ranges:
  - {low: ">=0", high: "<50", meaning: expected, flag: N, source: CP}
  - {low: ">=50", meaning: abnormal, flag: H, source: CP}
"""
CHOICE = """region: hips
items:
- id: own_item
  position: 9001
  disturbance: 2
  label: Invented item
  type: choice
  no_standard_code: Invented.
  sources: [CP]
  answers:
  - {id: fine, label: All is fine, meaning: expected}
  - {id: bad, label: All is bad, meaning: abnormal, urgency: tell}
"""
GROWTH = """id: ours
label: Ours
version: '1'
source: Invented
licence: None
ages: weeks
between: none
within_hours: 24
"""
TABLE = "measure,sex,age,c10,c50,c90\n"
HUMAN = '- {id: ward, uri: "urn:oid:2.999.5", label: Invented codes, local: true}\n'
FILE = "regions/own.yaml"
UNKNOWN = "unknown-reference"


def item(old: str, new: str) -> dict[str, str]:
    assert old in ITEM
    return {FILE: ITEM.replace(old, f"{new} #!")}


def choice(old: str, new: str) -> dict[str, str]:
    assert old in CHOICE
    return {FILE: CHOICE.replace(old, f"{new} #!")}


Mistake = tuple[dict[str, str], str, str, str]

MISTAKES: dict[str, Mistake] = {
    "a rule of no answer": ({"rules.yaml": RULE % ("loudly", " #!")}, UNKNOWN, "loudly", "an answer it has"),
    "a rule of no item": (
        {"rules.yaml": (RULE % ("loud", " #!")).replace("murmur", "murmurs")},
        UNKNOWN,
        "murmurs",
        "exists",
    ),
    "a rule without its source": (
        {"rules.yaml": (RULE % ("loud", "")).replace("source: CP", "source: NOWHERE #!")},
        UNKNOWN,
        "NOWHERE",
        "sources",
    ),
    "a rule that tells nobody": (
        {"rules.yaml": (RULE % ("loud", "")).replace("urgency: tell", "urgency: none #!")},
        "rule-says-nothing",
        "urgency is none",
        "on: false",
    ),
    "a rule that is neither on nor off": (
        {"rules.yaml": "# ours\n- id: stop_feeds\n  on: maybe #!\n"},
        "wrong-field",
        "true, or false",
        "",
    ),
    "a rule on memory, switched on": (
        {"rules.yaml": (RULE % ("loud", "")).replace("source: CP", "source: MEMORY #!")},
        "unsigned-rule",
        "memory",
        "signed",
    ),
    "an urgency that is none of ours": (
        {"rules.yaml": "# ours\n- id: stop_feeds\n  urgency: urgent #!\n"},
        "wrong-field",
        "tell",
        "",
    ),
    "a rule that replaces nothing": (
        {"rules.yaml": RULE % ("loud", "\n  replaces: [own_rules] #!")},
        UNKNOWN,
        "own_rules",
        "a rule's id",
    ),
    "a number that the item does not have": (
        {"rules.yaml": (RULE % ("loud", " #!")).replace("answers: [loud]", 'number: {low: ">60"}')},
        "never-holds",
        "has no number",
        "answers",
    ),
    "a number outside what is possible": (
        {
            "rules.yaml": (RULE % ("x", " #!")).replace(
                "item: murmur, answers: [x]", 'item: heart_rate, number: {low: ">900"}'
            )
        },
        "never-holds",
        "outside what is possible",
        "to",
    ),
    "a rule of no reason": (
        {"rules.yaml": (RULE % ("x", " #!")).replace("answers: [x]", "not_examined: [bored]")},
        UNKNOWN,
        "bored",
        "one of",
    ),
    "a rule that asks nothing": (
        {"rules.yaml": (RULE % ("x", " #!")).replace(", answers: [x]", "")},
        "rule-asks-nothing",
        "asks nothing",
        "answers",
    ),
    "a unit that is not there": (item('unit: "/min"', 'unit: "/mn"'), "unknown-unit", "/mn", "UCUM"),
    "limits upside down": (
        item("possible: [0, 99], plausible: [10, 90]}", "possible: [99, 0], plausible: [10, 90]}"),
        "limits",
        "upside down",
        "possible low",
    ),
    "a range upside down": (
        item(
            'high: "<50", meaning: expected, flag: N, source: CP}',
            'high: "<-5", meaning: expected, flag: N, source: CP}',
        ),
        "range-upside-down",
        "upside down",
        "low before high",
    ),
    "a range of no source": (
        item(
            '{low: ">=50", meaning: abnormal, flag: H, source: CP}',
            '{low: ">=50", meaning: abnormal, flag: H, source: NO}',
        ),
        UNKNOWN,
        "NO",
        "define it",
    ),
    "an end without its comparator": (
        {
            FILE: ITEM.replace(
                '- {low: ">=50", meaning: abnormal, flag: H, source: CP}',
                '- {low: "50", meaning: abnormal, flag: H, source: CP} #!',
            )
        },
        "wrong-field",
        "50",
        "",
    ),
    "an expected range that is told": (
        item(
            'high: "<50", meaning: expected, flag: N, source: CP}',
            'high: "<50", meaning: expected, flag: N, urgency: tell, source: CP}',
        ),
        "urgent-expected",
        "expected",
        "none",
    ),
    "an item of an unknown type": (item("type: quantity", "type: number"), "wrong-field", "quantity", ""),
    "a field that nobody knows": (item("disturbance: 2", "disturbence: 2"), "unknown-field", "", "spell it"),
    "a source that is not there": (item("sources: [CP]", "sources: [CPX]"), UNKNOWN, "CPX", "define"),
    "a place that is taken": (
        {FILE: ITEM.replace("position: 9001", "position: 10")},
        "duplicate-position",
        "taken",
        "its own",
    ),
    "a region that is not there": (
        {"regions/own.yaml": "items: []\n"},
        "wrong-file",
        "names no region",
        "the key region",
    ),
    "an answer without a meaning": (
        choice("- {id: bad, label: All is bad, meaning: abnormal, urgency: tell}", "- {id: bad, label: All is bad}"),
        "wrong-field",
        "meaning",
        "",
    ),
    "an expected answer that is told": (
        choice("meaning: expected}", "meaning: expected, urgency: tell}"),
        "urgent-expected",
        "fine",
        "variant",
    ),
    "an answer of an age": (
        choice(
            "- {id: fine, label: All is fine, meaning: expected}",
            "- {id: fine, label: Fine in the first hours, meaning: expected}",
        ),
        "answer-of-an-age",
        "names an age",
        "otherwise",
    ),
    "an answer exclusive of what is one anyway": (
        {FILE: CHOICE.replace("meaning: expected}", "meaning: expected, exclusive: true} #!")},
        "needless-exclusive",
        "exclusive",
        "choices",
    ),
    "an answer of a made-up code": (
        {FILE: CHOICE.replace("urgency: tell}", "urgency: tell, codes: [snomed 123456789 equivalent]} #!")},
        "check-digit",
        "123456789",
        "never guess",
    ),
    "a code that nobody verified": (
        {FILE: CHOICE.replace("urgency: tell}", "urgency: tell, codes: [snomed 22298006 equivalent]} #!")},
        "not-verified",
        "22298006",
        "verify it",
    ),
    "a finding as a question": (
        {
            FILE: CHOICE.replace(
                "no_standard_code: Invented.", "codes: [snomed 60728008 |Swollen abdomen| equivalent] #!"
            )
        },
        "finding-as-question",
        "60728008",
        "observable",
    ),
    "a code without its grade": (
        {FILE: CHOICE.replace("no_standard_code: Invented.", "codes: [loinc 8867-4 |Heart rate|] #!")},
        "ungraded",
        "8867-4",
        "equivalent",
    ),
    "a code of no system": (
        {FILE: CHOICE.replace("urgency: tell}", "urgency: tell, codes: [icd P00 equivalent]} #!")},
        "unknown-system",
        "icd",
        "systems.yaml",
    ),
    "a display that is not the code's": (
        {FILE: CHOICE.replace("no_standard_code: Invented.", "codes: [loinc 8867-4 |Pulse| equivalent] #!")},
        "display",
        "8867-4",
        "Heart rate",
    ),
    "a kind of a region that is not there": (
        {"kinds.yaml": "# ours\n- id: initial\n  regions: [hip] #!\n"},
        UNKNOWN,
        "'hip'",
        "region",
    ),
    "a stage of an item that is not there": (
        {"stages.yaml": "# ours\n- id: quiet\n  label: Quiet\n  how: Still\n  pages: [[hipps]] #!\n"},
        UNKNOWN,
        "hipps",
        "region",
    ),
    "a unit that is no UCUM": (
        {"units.yaml": "# ours\n- {ucum: mmHg, label: mmHg, dimension: pressure, places: 0} #!\n"},
        "unknown-unit",
        "mmHg",
        "mm[Hg]",
    ),
    "a screen that is not defined": ({"site.yaml": "# ours\ncchd_version: r1999 #!\n"}, UNKNOWN, "r1999", "one of"),
    "a growth reference that is not there": (
        {"site.yaml": "# ours\ngrowth_reference: ours #!\n"},
        UNKNOWN,
        "ours",
        "null",
    ),
    "a growth table without a week": (
        {
            "growth/ours.yaml": GROWTH,
            "growth/ours.csv": TABLE
            + "".join(f"weight,female,{week},{week}0,{week}5,{week}9\n" for week in (38, 39, 41, 42)),
        },
        "growth-gap",
        "39+0 and 41+0",
        "missing",
    ),
    "a growth table that is not there": (
        {"growth/ours.yaml": GROWTH},
        "wrong-file",
        "growth/ours.csv",
        "names",
    ),
    "an authority that names nothing": (
        {"v2.yaml": "# ours\nauthorities:\n- {system: 'urn:oid:2.999.1'} #!\n"},
        "missing-part",
        "names nothing",
        "namespace",
    ),
    "an authority twice": (
        {"v2.yaml": "authorities: #!\n- {system: 'urn:x:1', namespace: A}\n- {system: 'urn:x:1', namespace: B}\n"},
        "duplicate-id",
        "stands twice",
        "once",
    ),
    "two authorities written alike": (
        {"v2.yaml": "authorities: #!\n- {system: 'urn:x:1', namespace: A}\n- {system: 'urn:x:2', namespace: A}\n"},
        "same-authority",
        "written as A",
        "apart",
    ),
    "a universal id that is none": (
        {"v2.yaml": "# ours\nsending_facility: {id: 2.x, id_type: ISO} #!\n"},
        "wrong-id",
        "2.x",
        "2.999.1",
    ),
    "a universal id without its type": (
        {"v2.yaml": "# ours\nsending_facility: {id: 2.999.1} #!\n"},
        "missing-part",
        "belong together",
        "both",
    ),
    "a place twice": (
        {"v2.yaml": "locations: #!\n- {place: Ward, room: '1'}\n- {place: Ward, room: '2'}\n"},
        "duplicate-id",
        "Ward",
        "once",
    ),
    "a place that says nothing": (
        {"v2.yaml": "locations:\n- {place: Ward} #!\n"},
        "missing-part",
        "says nothing",
        "point_of_care",
    ),
    "a country in two letters": (
        {"v2.yaml": "# ours\nperforming_organisation: {name: East, address: {country: DE}} #!\n"},
        "table-code",
        "0399",
        "DEU",
    ),
    "a type of place that is none": (
        {"v2.yaml": "# ours\nlocations:\n- {room: '1', type: WARD} #!\n"},
        "table-code",
        "0305",
        "N",
    ),
    "a code of more than twenty characters": (
        {"v2.yaml": "# ours\nlocations:\n- {point_of_care: The postnatal ward on two} #!\n"},
        "wrong-field",
        "20 characters",
        "",
    ),
    "a message profile of no OID": (
        {"v2.yaml": "message_profiles:\n- {name: P, authority: {id: 2.x, id_type: ISO}} #!\n"},
        "wrong-id",
        "2.x",
        "2.999.1",
    ),
    "results of nobody": (
        {"v2.yaml": "# ours\nperforming_organisation: {} #!\n"},
        "missing-part",
        "organisation",
        "name",
    ),
    "a character set that is none": (
        {"v2.yaml": "# ours\ncharacter_set: UTF8 #!\n"},
        "wrong-field",
        "UNICODE UTF-8",
        "",
    ),
    "a name of no system": (
        {"v2.yaml": "# ours\nsystems: {wards: W} #!\n"},
        "unknown-system",
        "wards",
        "systems.yaml",
    ),
    "a language of words in another file": (
        {"site.yaml": "language: de\n", "labels/de.yaml": "language: de\nreasons:\n  tired: Müde #!\n"},
        "unknown-label",
        "tired",
        "",
    ),
    "words that a message cannot carry, in labels": (
        {
            "site.yaml": "language: hu\n",
            "v2.yaml": "character_set: 8859/1\n",
            "labels/hu.yaml": "language: hu\nitems:\n  cry: Sírás ő #!\n",
        },
        "character-set",
        "U+0151",
        "UTF-8",
    ),
    "a local code for two": (
        {"systems.yaml": HUMAN, "local_codes.yaml": "- system: ward\n  items:\n    murmur: M1\n    jaundice: M1\n"},
        "two-meanings",
        "M1",
        "one meaning",
    ),
    "a key twice": ({"site.yaml": "language: null\nlanguage: de #!\n"}, "unreadable", "given twice", "each key once"),
    "YAML that is none": ({"site.yaml": "a: [1\nb: 2\n"}, "unreadable", "YAML", "UTF-8"),
    "an id twice": (
        {"reasons.yaml": "- {id: shy, label: A, absent: unknown}\n- {id: shy, label: B, absent: unknown} #!\n"},
        "wrong-file",
        "stands twice",
        "once",
    ),
    "a sentence that there is not": (
        {"words/de.yaml": "language: de\nsentences:\n  report: {titel: Untersuchung} #!\n"},
        "unknown-word",
        "report.titel",
        "report.title",
    ),
    "a part that nobody gives": (
        {"words/fr.yaml": "language: fr\nsentences:\n  report:\n    title: 'Examen : {kind} {sort}' #!\n"},
        "word-part",
        "{sort}",
        "{kind}",
    ),
    "a part left out": (
        {"words/en.yaml": "language: en\nsentences:\n  finding:\n    total: total #!\n"},
        "word-part",
        "lacks {total}",
        "total {total}",
    ),
    "forms where English has none": (
        {"words/de.yaml": "language: de\nsentences:\n  clauses: {one: a, other: b} #!\n"},
        "words",
        "clauses",
        "one sentence",
    ),
    "a language of the site's own that is half done": (
        {
            "site.yaml": "language: nl\n",
            "labels/nl.yaml": "language: nl\n",
            "words/nl.yaml": "language: nl\n#\nsentences: #!\n  list: ', '\n",
        },
        "missing-word",
        "report.title",
        "Newborn examination",
    ),
    "a time without its day": (
        {"words/de.yaml": "language: de\nmoment: '{month}/{year} {hour}:{minute}{offset}' #!\n"},
        "word-part",
        "moment",
        "{day}",
    ),
    "words of another language": (
        {"words/de.yaml": "language: fr #!\n"},
        "words",
        "language: de",
        "as the file",
    ),
    "codes without a column": (
        {"codes.csv": "system,code,display\nsnomed,271807003,x\n"},
        "wrong-file",
        "status: Field required",
        "the columns system",
    ),
    "a status of codes that there is not": (
        {"codes.csv": f"{CODES}\nsnomed,271807003,Rash,finding,maybe,,two-sources,me,\n"},
        "wrong-file",
        "status: Input should be",
        "the columns system",
    ),
    "a code of more cells than columns": (
        {"codes.csv": f"\ufeff{CODES}\n\nsnomed,271807003,Rash,finding,verified,,two-sources,me,,more #!\n"},
        "wrong-file",
        "more cells",
        "the columns system",
    ),
    "a code of endless words": (
        {"codes.csv": f"{CODES}\nsnomed,271807003,{'x' * 140_000} #!\n"},
        "wrong-file",
        "field larger",
        "the columns system",
    ),
    "codes in another encoding": ({"codes.csv": "\udcff"}, "wrong-file", "codes.csv", "UTF-8"),
    "a choice of no grade": (
        {
            "chosen_codes.csv": f"fit,comment,place,label,asked,parents,{CODES}\n"
            "good,,cry.x,,,,snomed,1,x,,verified,,r,,\n"
        },
        "chosen-codes",
        "'good' is none of equal",
        "the column fit",
    ),
    "an id that is a mapping": ({"reasons.yaml": "- id: {a: b} #!\n  label: x\n"}, "wrong-field", "id", ""),
    "a language that is a list": ({"site.yaml": "language: [] #!\n"}, "wrong-field", "language", ""),
    "an identifier kind of no system": (
        {"site.yaml": "# ours\nidentifier_kinds:\n  mrns: {type: MR} #!\n"},
        "setting",
        "mrns",
        "one of both",
    ),
}


def problems_of(folder: Path) -> list[Problem]:
    try:
        catalogue = load_catalogue(folder)
    except CatalogueError as error:
        return error.problems
    return [*lint(catalogue), *lint_forms(catalogue)]


def told_at_its_line(mistake: Mistake, folder: Path) -> None:
    files, rule, what, remedy = mistake
    wanted = [
        (name, number)
        for name, content in files.items()
        for number, line in enumerate(content.splitlines(), start=1)
        if line.endswith("#!")
    ]
    for name, content in files.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(content, encoding="utf-8", errors="surrogateescape")
    every = problems_of(folder)
    found = [p for p in every if p.rule == rule and what in f"{p.file} {p.where} {p.what} {p.remedy}"]
    assert found, [str(problem) for problem in every]
    assert remedy in found[0].remedy
    assert found[0].file in files or not wanted
    assert not wanted or (found[0].file, found[0].line) in wanted


@pytest.mark.parametrize("mistake", MISTAKES)
def test_it_is_told_at_its_line(mistake: str, tmp_path: Path) -> None:
    told_at_its_line(MISTAKES[mistake], tmp_path)


_FILES = [
    *(
        one.relative_to(MAPPINGS)
        for pattern in ("*.yaml", "*.csv", "*/*.yaml")
        for one in sorted(MAPPINGS.glob(pattern))
    ),
]
_DAMAGE = st.sampled_from(
    ["", "x", "[]", "{}", "- 3", "null", "'", "\udcff", "true", "id: [{id: x}]", "a: {b: c}", ": :"]
)


@drawn(16)
@given(st.sampled_from(_FILES), st.integers(0, 10_000), _DAMAGE, st.booleans())
def test_no_damage_to_a_file_is_more_than_a_problem(file: Path, at: int, damage: str, after: bool) -> None:
    """A line of a site's file is replaced, or what stands after its first colon or comma."""
    lines = (MAPPINGS / file).read_text(encoding="utf-8").splitlines()
    number = at % len(lines)
    kept, mark, _ = lines[number].partition("," if file.suffix == ".csv" else ":")
    lines[number] = f"{kept}{mark} {damage}" if after and mark else damage
    with TemporaryDirectory() as folder:
        whole = Path(folder) / ("site.yaml" if file.name == "settings.yaml" else file)
        whole.parent.mkdir(exist_ok=True)
        whole.write_text("\n".join(lines), encoding="utf-8", errors="surrogateescape")
        problems_of(Path(folder))
