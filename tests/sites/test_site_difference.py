"""``items --site`` shows what a site changes, and the coverage report counts what it sends."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner
from lxml import html
from sites_of_examples import ROOT, SITES, catalogue_of

from adapter.catalogue import Catalogue
from adapter.catalogue.coverage import Coverage
from adapter.catalogue.difference import CatalogueChange, difference, labelled
from adapter.cli import cli
from adapter.write.coverage import coverage_report
from adapter.write.package.conceptmaps import concept_maps


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    with contextlib.chdir(ROOT):
        done = CliRunner().invoke(cli, arguments)
    return subprocess.CompletedProcess(arguments, done.exit_code, done.stdout, done.stderr)


def test_the_shipped_catalogue_does_not_differ_from_itself(catalogue: Catalogue) -> None:
    assert difference(catalogue, catalogue) == []
    assert labelled(catalogue, catalogue)[0] == 0


def test_kinds_of_difference(catalogue: Catalogue) -> None:
    changes = difference(catalogue, catalogue_of("kestrel-vale"))
    places = {(change.kind, change.place, change.field) for change in changes}
    assert {
        ("changed", "setting", "scores"),
        ("changed", "setting", "policy.date"),
        ("changed", "item respiratory_rate", "ranges"),
        ("changed", "item femoral_pulse, answer absent", "codes"),
        ("changed", "rule infection_or_low_glucose", "urgency"),
        ("off", "rule arm_leg_pressure_gap", ""),
        ("added", "rule kv_cool_and_sleepy", ""),
        ("label", "item temperature", "label"),
    } <= places
    urgency = next(c for c in changes if c.place == "rule infection_or_low_glucose")
    assert (urgency.before, urgency.after) == ("tell-now", "tell")


def test_a_changed_answer_and_an_added_one(catalogue: Catalogue, tmp_path: Path) -> None:
    from adapter.catalogue import load_catalogue

    (tmp_path / "regions").mkdir()
    (tmp_path / "regions" / "skin.yaml").write_text(
        "region: skin\nitems:\n- id: skin_colour\n  answers:\n"
        "  - {id: acrocyanosis, urgency: tell}\n  - {id: marble, label: Marble, meaning: variant}\n"
    )
    changes = difference(catalogue, load_catalogue(tmp_path))
    assert changes == [
        CatalogueChange("changed", "item skin_colour, answer acrocyanosis", "urgency", "none", "tell"),
        CatalogueChange("added", "item skin_colour, answer marble", "", "", "Marble"),
    ]


@pytest.mark.parametrize("name", SITES)
def test_on_the_command_line(name: str) -> None:
    done = run("items", "--site", str(SITES[name]))
    assert done.returncode == 0, done.stderr
    assert "0 problems." in done.stdout
    assert catalogue_of(name).settings.policy.name in done.stdout
    data = json.loads(run("items", "--site", str(SITES[name]), "--format", "json").stdout)
    assert data["problems"] == []
    assert {"kind", "place", "field", "shipped", "site"} == set(data["changes"][0])


def test_the_drafts_of_a_language_are_no_difference_and_the_sites_own_words_are(tmp_path: Path) -> None:
    tmp_path.joinpath("site.yaml").write_text("language: fr\n")
    (tmp_path / "labels").mkdir()
    own = "language: fr\nitems:\n  murmur: {label: Souffle de chez nous, how: Au calme.}\n"
    tmp_path.joinpath("labels", "fr.yaml").write_text(own)
    wanted = {("setting", "language"), ("item murmur", "label"), ("item murmur", "how")}
    data = json.loads(run("items", "--site", str(tmp_path), "--format", "json").stdout)
    assert {(one["place"], one["field"]) for one in data["changes"]} == wanted
    assert "item murmur: label  " in run("items", "--site", str(tmp_path)).stdout
    compared = json.loads(run("site", "compare", "shipped", str(tmp_path), "--format", "json").stdout)
    assert {(one["place"], one["field"]) for one in compared["changes"]} == wanted


def test_a_selection_lists_items_as_ever() -> None:
    done = run("items", "--site", str(SITES["kestrel-vale"]), "--region", "hips")
    assert "hip_abduction" in done.stdout
    assert "Changed" not in done.stdout


def test_a_site_with_a_fault_is_shown_with_it(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text("formats: [fax]\n")
    done = run("items", "--site", str(tmp_path))
    assert done.returncode == 1
    assert "'fax' is no outward form" in done.stdout


def test_a_form_that_the_site_does_not_write() -> None:
    capture = "examples/captures/d01-well-term-girl.json"
    done = run("convert", capture, "--to", "batch", "--site", str(SITES["isle-minor"]))
    assert done.returncode == 2
    assert "this site does not write batch" in done.stderr


def rows(catalogue: Catalogue) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(coverage_report(catalogue.items.values(), catalogue, "csv"))))


def test_coverage_is_counted_from_the_codes(catalogue: Catalogue) -> None:
    """Counted a second way: from the concept maps, where what is not sent is unmatched or only near."""
    found = rows(catalogue)
    near = {f"{i.id}.{a.id}": {code.code for code in a.maps} for i in catalogue.items.values() for a in i.answers}
    near |= {i.id: {code.code for code in i.maps} for i in catalogue.items.values()}
    without = {
        one["id"]: sum(
            {target.get("code") for target in element["target"]} <= {None, *near.get(element["code"], ())}
            for element in one["group"][0]["element"]
        )
        for one in concept_maps(catalogue)
    }
    answers = [row for row in found if row["kind"] == "answer"]
    assert sum(not row["snomed"] for row in answers) == without["answer-to-snomed"]
    items = [row for row in found if row["kind"] == "item"]
    assert sum(not row["loinc"] for row in items) == without["item-to-loinc"]
    assert sum(not row["snomed"] for row in items) == without["item-to-snomed"]
    assert len(items) == len(catalogue.items)
    for row in found:
        wanted = {
            (True, True): Coverage.BOTH,
            (True, False): Coverage.LOINC,
            (False, True): Coverage.SNOMED,
            (False, False): Coverage.LOCAL,
        }[bool(row["loinc"]), bool(row["snomed"])]
        assert row["coded"] == wanted
        assert bool(row["why"]) == (wanted is Coverage.LOCAL)


def test_coverage_is_of_what_is_sent() -> None:
    found = rows(catalogue_of("nordhafen"))
    assert not any(row["snomed"] for row in found)
    assert any("SNOMED CT is set to off" in row["why"] for row in found)


def test_coverage_as_text_and_page(catalogue: Catalogue) -> None:
    text = coverage_report(catalogue.items.values(), catalogue, "table")
    page = html.fromstring(coverage_report(catalogue.items.values(), catalogue, "html"))
    total = f"{len(catalogue.items)}"
    assert any(line.split()[:2] == ["questions", total] for line in text.splitlines())
    assert page.xpath("string(//title)") == "Coverage by published codes"
    assert not page.xpath("//script | //link | //img | //*[@src]")
    cells = page.xpath("//tr/*[1]/text()")
    assert {"heart_rate", "femoral_pulse.weak"} <= {cell.strip() for cell in cells}


def test_a_version_is_compared_on_exams_by_item_and_never_by_value(tmp_path: Path) -> None:
    """Under the older one a fast rate of breathing was told now, and the rule had another name."""
    older = tmp_path / "mappings"
    shutil.copytree(ROOT / "mappings", older, ignore=shutil.ignore_patterns("packs", "omop"))
    for name, now, then in (
        (
            "regions/03-vital-signs.yaml",
            "flag: H, urgency: tell, source",
            "flag: H, urgency: tell-now, source",
        ),
        ("rules.yaml", "id: infection_or_low_glucose\n", "id: infection_then\n"),
    ):
        text = (older / name).read_text(encoding="utf-8")
        assert now in text
        (older / name).write_text(text.replace(now, then), encoding="utf-8")
    exam = json.loads((ROOT / "examples/captures/d01-well-term-girl.json").read_text(encoding="utf-8"))
    exam["exam"]["id"] = "fast"
    rate = next(one for one in exam["findings"] if one["item"] == "respiratory_rate")
    rate["value"]["value"] = 67
    (tmp_path / "fast.json").write_text(json.dumps(exam), encoding="utf-8")
    exams = str(tmp_path / "fast.json")
    asked = ["site", "compare", "shipped", "shipped", "--old-mappings", str(older), "--exams", exams]
    text = CliRunner().invoke(cli, asked).stdout
    assert "rule infection_then:" in text.partition("Gone:")[2]
    assert "rule infection_or_low_glucose:" in text.partition("Added:")[2].partition("Gone:")[0]
    assert "fast: respiratory_rate is told later (tell-now to tell)" in text
    assert "67" not in text.partition("On 1 exam")[2]
    assert "67" in CliRunner().invoke(cli, [*asked, "--words"]).stdout.partition("On 1 exam")[2]
    data = json.loads(CliRunner().invoke(cli, [*asked, "--format", "json"]).stdout)
    assert [(line["exam"], line["item"], line["difference"]) for line in data["lines"]] == [
        ("fast", "respiratory_rate", "is told later")
    ]


@pytest.mark.parametrize(("old", "new", "code"), [("shipped", "shipped", 0), ("shipped", "nowhere", 2)])
def test_what_is_compared_must_be_there(old: str, new: str, code: int) -> None:
    done = CliRunner().invoke(cli, ["site", "compare", old, new])
    assert done.exit_code == code
    assert ("no difference" in done.stdout) == (code == 0)
