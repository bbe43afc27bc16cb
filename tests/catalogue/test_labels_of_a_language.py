"""Labels in another language: shipped drafts, complete, below what a site says itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapter.catalogue import load_catalogue
from adapter.catalogue.labels import lint_labels
from adapter.catalogue.load import shipped_content
from adapter.catalogue.model import Item

ROOT = Path(__file__).parents[2]


def _site(folder: Path, **files: str) -> Path:
    for name, content in files.items():
        path = folder / f"{name.replace('__', '/')}.yaml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(content, encoding="utf-8")
    return folder


def test_what_a_draft_lacks_and_what_it_names_in_vain_is_told_at_its_line() -> None:
    raw, _ = shipped_content()
    items = raw["regions"]["head"]["items"]
    items[0]["caution"] = "Wait a day."
    gone = items.pop()["id"]
    raw["reasons"].append({"id": "away", "label": "Taken elsewhere"})
    lines = (ROOT / "mappings" / "labels" / "de.yaml").read_text(encoding="utf-8").splitlines()
    found = {
        p.where: (p.rule, lines[(p.line or 0) - 1].split()[0]) for p in lint_labels(raw) if p.file == "labels/de.yaml"
    }
    assert found == {
        "items.head_shape.caution": ("missing-label", "head_shape:"),
        f"items.{gone}": ("unknown-label", f"{gone}:"),
        "reasons.away.label": ("missing-label", "crying:"),  # the first of its list
    }


@pytest.mark.parametrize("language", ["de", "de-AT"])
def test_a_site_says_its_own_over_the_draft(language: str, tmp_path: Path) -> None:
    """In its labels, for one item; in its regions, for another: what it leaves out is the draft's."""
    labels = "language: de\nitems:\n  murmur: {label: Geräusch, answers: {none_heard: Nichts}}\n"
    own = "region: head\nitems:\n- {id: sutures, label: Nähte}\n"
    site = _site(tmp_path, site=f"language: {language}\n", labels__de=labels, regions__head=own)
    catalogue, english = load_catalogue(site), load_catalogue()
    said = [catalogue.items[name].label for name in ("murmur", "sutures", "anterior_fontanelle_size")]
    assert said == ["Geräusch", "Nähte", "Größe der großen Fontanelle"]
    assert [a.label for a in catalogue.items["murmur"].answers][:2] == [
        "Nichts",
        "Leise, systolisch, erste 24 h, Kind wohlauf",
    ]
    assert catalogue.words.untranslated == 0

    def codes(item: Item) -> object:
        return item.codes, item.unit, item.ranges, [(a.id, a.meaning, a.urgency, a.codes) for a in item.answers]

    assert all(codes(item) == codes(english.items[name]) for name, item in catalogue.items.items()), (
        "words alone differ"
    )


@pytest.mark.parametrize("signed", [("words",), ("labels",), ("words", "labels")])
def test_both_files_of_a_language_are_signed(signed: tuple[str, ...], tmp_path: Path) -> None:
    by = 'language: fr\nreviewed: "P. Exemple, 2026-11-20"\n'
    site = _site(tmp_path, site="language: fr\n", **{f"{folder}__fr": by for folder in signed})
    assert bool(load_catalogue(site).words.remark()) == (len(signed) == 1)
