"""How the newborn lies while what is looked at: every item once, a site's own, and every fault named."""

from __future__ import annotations

from pathlib import Path

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.lint import lint


def staged(catalogue: Catalogue) -> dict[str, list[str]]:
    return {stage.id: [item.id for _, items in pages for item in items] for stage, pages in catalogue.staged()}


def test_every_item_that_is_captured_stands_in_one_stage(catalogue: Catalogue) -> None:
    found = [item for items in staged(catalogue).values() for item in items]
    assert sorted(found) == sorted(item.id for item in catalogue.items.values() if not item.computed)


def test_quiet_first_and_what_makes_cry_last(catalogue: Catalogue) -> None:
    """Observe first, disturb last; hips and the Moro reflex at the end (common practice)."""
    stages = staged(catalogue)
    assert {"respiratory_rate", "skin_colour"} & set(stages["swaddled"]) == {"respiratory_rate"}
    assert {"ortolani", "barlow", "moro"} <= set(stages["most_disturbing"])
    assert {"spine", "thigh_gluteal_folds", "galant"} <= set(stages["on_the_front"])
    for _, pages in catalogue.staged():
        for regions, items in pages:
            own = [item.position for item in items if catalogue.region_of[item.id] in regions]
            assert own == sorted(own)


def test_a_region_of_a_site_s_own_comes_last(tmp_path: Path) -> None:
    (tmp_path / "regions").mkdir()
    (tmp_path / "regions" / "own.yaml").write_text(
        "region: own\nlabel: Own\nitems:\n- id: own_note\n  position: 1600\n  disturbance: 1\n  label: Own\n"
        "  type: text\n  no_standard_code: Invented for a test.\n  sources: [CP]\n",
        encoding="utf-8",
    )
    catalogue = load_catalogue(tmp_path)
    assert lint(catalogue) == []
    *_, (_, pages) = catalogue.staged()
    assert [regions for regions, _ in pages][-1] == ("own",)


def test_unknown_and_doubled_names_are_faults(tmp_path: Path) -> None:
    (tmp_path / "stages.yaml").write_text(
        "- {id: asked, pages: [[feeding_output, nowhere]], items: [hip_risk_factors, galant, no_item]}\n",
        encoding="utf-8",
    )
    problems = lint(load_catalogue(tmp_path))
    assert {problem.rule for problem in problems} == {"unknown-reference", "duplicate-id"}
    assert all(problem.file == "stages.yaml" for problem in problems)
    assert ["'galant'" in p.what or "'no_item'" in p.what or "'nowhere'" in p.what for p in problems] == [True] * 3
