"""Each rule of the linter with the smallest site folder that breaks it: rule, file, item and remedy are named."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, CatalogueError, load_catalogue
from adapter.catalogue.lint import lint
from adapter.problems import Problem

FILE = "regions/own.yaml"
HEAD = "region: vital_signs\nitems:\n"
# One invented item that is in order; cases change one thing each.
GOOD = {
    "id": "own_item",
    "position": "9001",
    "disturbance": "1",
    "label": "Invented item",
    "type": "quantity",
    "unit": "cm",
    "limits": "{possible: [0, 100], plausible: [10, 50]}",
    "no_standard_code": "Invented for a test.",
    "sources": "[CP]",
}
CHOICE = {"type": "choice", "unit": None, "limits": None}
ANSWERS = "[{id: fine, label: Fine, meaning: expected}, {id: bad, label: Bad, meaning: abnormal}]"
LOW = "low: '>=20', high: '<30', meaning: expected, flag: N, source: CP"


def item(**changes: str | None) -> str:
    """The YAML of the item with some keys changed, or taken out."""
    keys = {key: value for key, value in {**GOOD, **changes}.items() if value is not None}
    lines = [f"{key}: {value}" for key, value in keys.items()]
    return "- " + "\n  ".join(lines) + "\n"


def problems(folder: Path, **files: str) -> list[Problem]:
    """What loading and linting say of the shipped catalogue with these files of a site laid over it."""
    for name, content in files.items():
        path = folder / f"{name.replace('__', '/')}.yaml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(content, encoding="utf-8")
    try:
        return lint(load_catalogue(folder))
    except CatalogueError as error:
        return error.problems


def test_the_shipped_catalogue_is_clean(catalogue: Catalogue) -> None:
    assert [str(problem) for problem in lint(catalogue)] == []


def test_every_source_that_ships_is_cited() -> None:
    """One that nothing rests on is no source; a page of a site's own may wait for its first use."""
    mappings = Path(__file__).parents[2] / "mappings"
    files = [path for path in mappings.rglob("*.yaml") if path.name != "sources.yaml"]
    cited = {word for path in files for word in re.findall(r"\b(?:S\d+\w?|CP|MEMORY)\b", path.read_text("utf-8"))}
    assert set(load_catalogue().sources) - cited == set()


def test_the_item_in_order_is_clean(tmp_path: Path) -> None:
    assert problems(tmp_path, regions__own=HEAD + item()) == []


CASES: list[tuple[str, str, str]] = [
    # rule, the item, a word of the remedy
    ("duplicate-position", item(position="150"), "each its own"),
    ("duplicate-id", item(**CHOICE, answers=ANSWERS[:-1] + ", {id: bad, label: Bad, meaning: variant}]"), "rename"),
    (
        "urgent-expected",
        item(**CHOICE, answers="[{id: fine, label: Fine, meaning: expected, urgency: tell}]"),
        "urgency none",
    ),
    ("urgent-expected", item(ranges=f"[{{{LOW}, urgency: tell}}]"), "urgency none"),
    ("missing-part", item(**CHOICE), "add answers"),
    ("missing-part", item(unit=None), "add unit"),
    ("missing-part", item(limits=None), "limits"),
    ("missing-part", item(type="quantities", limits=None), "add components"),
    ("missing-part", item(type="score", unit=None), "add signs"),
    ("missing-part", item(**CHOICE, answers="[{id: bad, label: Bad, meaning: abnormal}]"), "expected answer"),
    ("missing-part", item(site_required="true"), "list the allowed sites"),
    ("missing-code", item(no_standard_code=None), "no_standard_code"),
    ("missing-code", item(codes='["loinc 8302-2 |Body height|"]'), "remove no_standard_code"),
    ("unknown-reference", item(sites="[elbow_of_nowhere]"), "known site"),
    ("unknown-reference", item(body_site="elbow_of_nowhere"), "known site"),
    ("unknown-reference", item(methods="[guessing]"), "known method"),
    ("unknown-reference", item(methods="[tape]", method="palpation"), "add it"),
    ("unknown-reference", item(tell_when_not_examined="[no_time]"), "known reason"),
    ("unknown-reference", item(sources="[S9999]"), "known source"),
    ("unknown-reference", item(ranges=f"[{{{LOW}, when: {{states: [dancing]}}}}]"), "known state"),
    ("unknown-reference", item(ranges=f"[{{{LOW}, when: {{sites: [nowhere]}}}}]"), "known site of a range"),
    ("unknown-reference", item(ranges=f"[{{{LOW}, when: {{methods: [nohow]}}}}]"), "known method of a range"),
    ("unknown-unit", item(unit="furlong"), "UCUM"),
    ("unknown-unit", item(kept_units="[kg]"), "of that dimension"),
    ("wrong-dimension", item(no_standard_code=None, codes="[loinc 8867-4 |Heart rate|]"), "same dimension"),
    ("limits", item(limits="{possible: [0, 100], plausible: [50, 10]}"), "plausible low < plausible high"),
    ("limits", item(limits="{possible: [20, 30], plausible: [10, 50]}"), "possible low <="),
    ("range-open", item(ranges="[{meaning: expected, flag: N, source: CP}]"), "at least one end"),
    (
        "range-upside-down",
        item(ranges="[{low: '>=30', high: '<20', meaning: expected, flag: N, source: CP}]"),
        "low before high",
    ),
    ("range-upside-down", item(ranges="[{low: '<30', meaning: expected, flag: N, source: CP}]"), "low ends take"),
    ("range-upside-down", item(ranges="[{high: '>30', meaning: expected, flag: N, source: CP}]"), "high ends take"),
    (
        "range-overlap",
        item(ranges=f"[{{{LOW}}}, {{low: '>=29.9', meaning: abnormal, flag: H, source: CP}}]"),
        "where the next begins",
    ),
    ("unknown-field", item(colour="blue"), "remove it"),
    ("wrong-field", item(ranges="[{low: 20, meaning: expected, flag: N, source: CP}]"), ""),
    ("wrong-field", item(no_standard_code=None, codes="[loinc]"), ""),
]


@pytest.mark.parametrize(("rule", "broken", "remedy"), CASES, ids=[f"{n}-{c[0]}" for n, c in enumerate(CASES)])
def test_a_rule(rule: str, broken: str, remedy: str, tmp_path: Path) -> None:
    found = problems(tmp_path, regions__own=HEAD + broken)
    matching = [p for p in found if p.rule == rule and p.item == "own_item" and remedy in p.remedy]
    assert matching, [str(p) for p in found]
    (problem,) = matching[:1]
    assert problem.file == FILE
    assert (problem.line or 0) > len(HEAD.splitlines())
    assert problem.what
    assert str(problem).startswith(f"error: {FILE}, line ")


def test_an_answer_without_a_meaning(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, regions__own=HEAD + item(**CHOICE, answers="[{id: fine, label: Fine}]"))
    assert (problem.rule, problem.file) == ("wrong-field", FILE)
    assert problem.where.endswith("answers.0.meaning")
    assert "required" in problem.what


def test_a_comparator_is_asked_for(tmp_path: Path) -> None:
    (problem,) = problems(
        tmp_path, regions__own=HEAD + item(ranges="[{low: 20, meaning: expected, flag: N, source: CP}]")
    )
    assert "no comparator" in problem.what
    assert "'>=30'" in problem.what
    assert problem.where.endswith("ranges.0.low")


def test_ranges_that_meet_do_not_overlap(tmp_path: Path) -> None:
    touching = f"[{{{LOW}}}, {{low: '>=30', meaning: abnormal, flag: H, source: CP}}]"
    assert problems(tmp_path, regions__own=HEAD + item(ranges=touching)) == []


def test_ranges_of_different_conditions_may_overlap(tmp_path: Path) -> None:
    other = "low: '>=20', meaning: variant, flag: N, source: CP, when: {age_hours: {high: '<2'}}"
    assert problems(tmp_path, regions__own=HEAD + item(ranges=f"[{{{other}}}, {{{LOW}}}]")) == []


def test_narrative_codes_are_not_for_coded_answers(tmp_path: Path, catalogue: Catalogue) -> None:
    row = next(r for r in catalogue.verified.values() if r.display.endswith("Narrative") and r.status == "verified")
    codes = f'["loinc {row.code} |{row.display}|"]'
    broken = item(**CHOICE, answers=ANSWERS, no_standard_code=None, codes=codes)
    assert "narrative-code" in [p.rule for p in problems(tmp_path, regions__own=HEAD + broken)]


def test_a_kind_names_what_exists(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, kinds="- {id: own, label: Own, regions: [nowhere]}\n")
    assert (problem.rule, problem.file) == ("unknown-reference", "kinds.yaml")
    assert "nowhere" in problem.what


def test_a_unit_is_ucum(tmp_path: Path) -> None:
    problem, same = problems(tmp_path, units="- {ucum: mmHg, label: torr, dimension: pressure}\n")
    assert (same.rule, problem.rule, problem.file) == ("same-unit", "unknown-unit", "units.yaml")
    assert "mm[Hg]" in problem.remedy


@pytest.mark.parametrize(
    ("files", "rule", "word"),
    [
        ({"site": "canonical: [not closed\n"}, "unreadable", "YAML"),
        ({"site": "canonical: https://a.example.org\ncanonical: https://b.example.org\n"}, "unreadable", "twice"),
        ({"site": "canonical: no-uri\n"}, "wrong-field", "not written as canonical"),
        ({"site": "snomed: sometimes\n"}, "wrong-field", "'sometimes'"),
        ({"site": "colour: blue\n"}, "unknown-field", "there is no"),
        ({"things": "- {id: x}\n"}, "wrong-file", "not a file the catalogue knows"),
        ({"regions__a": "items: []\n"}, "wrong-file", "names no region"),
        ({"regions__a": HEAD + item(), "regions__b": HEAD + item()}, "wrong-file", "another file"),
        ({"methods": "- {id: x, label: X}\n- {id: x, label: Y, colour: blue}\n"}, "unknown-field", "there is no"),
    ],
)
def test_files_that_cannot_be_used(files: dict[str, str], rule: str, word: str, tmp_path: Path) -> None:
    found = problems(tmp_path, **files)
    assert [p.rule for p in found] == [rule]
    assert word in found[0].what
    assert found[0].file.endswith(".yaml")


def test_a_site_that_is_no_folder(tmp_path: Path) -> None:
    with pytest.raises(CatalogueError, match="is not a folder"):
        load_catalogue(tmp_path / "nowhere")


def test_all_problems_at_once(tmp_path: Path) -> None:
    two = HEAD + item(unit="furlong", sources="[S9999]") + item(id="other_item", position="9002", limits=None)
    rules = [(p.item, p.rule) for p in problems(tmp_path, regions__own=two)]
    assert {("own_item", "unknown-unit"), ("own_item", "unknown-reference"), ("other_item", "missing-part")} <= set(
        rules
    )
