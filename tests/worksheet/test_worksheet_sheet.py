"""The paper worksheet holds every item and answer of its kind of exam, in order, and nothing is ticked beforehand."""

from __future__ import annotations

import re
from io import BytesIO
from pathlib import Path

import pytest
from lxml import html
from pypdf import PdfReader

from adapter.catalogue import Catalogue, ItemType, load_catalogue
from adapter.forms.worksheet import to_worksheet
from adapter.forms.worksheet_items import MARKS

CATALOGUE = load_catalogue()
every_kind = pytest.mark.parametrize("kind", list(CATALOGUE.kinds))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


def sheet(kind: str, catalogue: Catalogue = CATALOGUE, paper: str = "a4") -> html.HtmlElement:
    return html.document_fromstring(to_worksheet(catalogue, kind, paper=paper).decode())


def entries(kind: str) -> list[tuple[str, str]]:
    """Label and whole text of every question."""
    found = sheet(kind).xpath("//div[@class='entry']")
    return [(node.xpath("string(.//span[@class='strong'][1])"), " ".join(node.itertext())) for node in found]


@every_kind
def test_every_item_of_the_kind_in_exam_order_with_every_answer(kind: str) -> None:
    expected = CATALOGUE.expected(kind)
    found = entries(kind)
    assert [label for label, _ in found] == [item.label for item in expected]
    for item, (_, text) in zip(expected, found, strict=True):
        for answer in item.answers:
            mark = MARKS.get(answer.urgency, "")
            assert squeezed(answer.label + mark) in squeezed(text)
        for sign in item.signs:
            assert all(squeezed(f"{a.label}{a.points}") in squeezed(text) for a in sign.answers)
        assert "NE" in text
        assert CATALOGUE.caution(item) in text


@every_kind
def test_boxes_for_each_side_and_blanks_for_numbers(kind: str) -> None:
    nodes = sheet(kind).xpath("//div[@class='entry']")
    for item, node in zip(CATALOGUE.expected(kind), nodes, strict=True):
        boxes = [box.text for box in node.xpath(".//span[@class='tick']")]
        if item.answers and item.sides.value == "each":
            assert boxes[: 2 * len(item.answers)] == ["L", "R"] * len(item.answers)
        blanks = node.xpath(".//span[starts-with(@class, 'blank')]")
        if item.type in (ItemType.QUANTITY, ItemType.QUANTITIES):
            assert len(blanks) >= 2
            assert CATALOGUE.units.shown(item.unit or "").strip() in " ".join(node.itertext())


@every_kind
def test_nothing_is_ticked_beforehand(kind: str) -> None:
    root = sheet(kind)
    assert {box.text for box in root.xpath("//span[@class='tick']")} <= {"\xa0", "L", "R", "F", "M"}
    assert not root.xpath("//input | //*[@checked]")


def test_keys_cautions_and_identity() -> None:
    text = " ".join(sheet("initial").itertext()).replace("\xa0", " ")
    for number, reason in enumerate(CATALOGUE.reasons.values(), start=1):
        assert f"{number} {reason.label}." in text
    for number, state in enumerate(CATALOGUE.states.values(), start=1):
        assert f"{number} {state.label}." in text
    assert "never read as normal" in text
    assert "not a diagnosis" in text
    assert "never the newborn's" in text
    assert "Count breaths for a full minute" in text
    assert CATALOGUE.settings.policy.name in text


def test_ranges_in_force_are_printed() -> None:
    """Respiratory rate of a term newborn, 30 to 60 a minute (Gomella's Neonatology, S16 of the catalogue)."""
    (text,) = (text for label, text in entries("shift") if label == "Respiratory rate")
    assert "Expected ≥30 to ≤60." in text
    assert "!! <20; >80." in text


@pytest.mark.parametrize(
    ("kind", "paper"), [*((kind, "a4") for kind in CATALOGUE.kinds), ("initial", "letter"), ("shift", "letter")]
)
def test_the_pdf_has_few_pages_and_says_whose_each_is(kind: str, paper: str) -> None:
    pdf = to_worksheet(CATALOGUE, kind, encoding="pdf", paper=paper)
    reader = PdfReader(BytesIO(pdf))
    size = reader.pages[0].mediabox
    assert (round(size.width), round(size.height)) == {"a4": (595, 842), "letter": (612, 792)}[paper]
    pages = [one.extract_text() for one in reader.pages]
    assert len(pages) <= {"initial": 7, "discharge": 5}.get(kind, 3)
    assert all("Identifier" in text and f"page {n} of {len(pages)}" in text for n, text in enumerate(pages, start=1))
    whole = squeezed("".join(pages))
    for item in CATALOGUE.expected(kind):
        assert squeezed(item.label) in whole
        assert all(squeezed(answer.label) in whole for answer in item.answers)


def test_a_sites_own_words_and_items(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text("policy: {name: Ward policy of Elmtown, date: '2026-05-01'}\n")
    (tmp_path / "reasons.yaml").write_text("- {id: crying, label: Crying <so> hard}\n")
    text = " ".join(sheet("shift", load_catalogue(tmp_path)).itertext())
    assert "Ward policy of Elmtown" in text
    assert "Crying <so> hard" in text.replace("\xa0", " ")


def test_the_same_catalogue_is_the_same_sheet() -> None:
    for encoding in ("html", "pdf"):
        first, second = (to_worksheet(CATALOGUE, "shift", encoding=encoding) for _ in range(2))
        assert first == second


def test_wrong_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="html or pdf"):
        to_worksheet(CATALOGUE, "shift", encoding="docx")
    with pytest.raises(ValueError, match="a4 or letter"):
        to_worksheet(CATALOGUE, "shift", paper="a5")
    with pytest.raises(KeyError):
        to_worksheet(CATALOGUE, "no-such-kind")
