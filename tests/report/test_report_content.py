"""The readable report says everything that was recorded, loudly where it matters, and nothing that was not.

What is expected of it comes from the catalogue and from the exam itself, not from the report's own code. Held apart
from the findings: *not examined* and *not recorded* (common practice of charting: what is not written was not done).
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from io import BytesIO
from pathlib import Path

import pytest
from growth_tables import intergrowth_csv, site_with
from hypothesis import given
from hypothesis import strategies as st
from invented import BORN, exam, mother
from lxml import html
from pypdf import PdfReader

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import completeness, computed_findings, value_in_words
from adapter.document import visible
from adapter.exam import At, BirthOrder, Exam, Finding, Quantity, Score, Side, Status
from adapter.read import read_captures
from adapter.write import write
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
CAPTURES = Path(__file__).resolve().parents[2] / "examples" / "captures"


def read(name: str) -> Exam:
    (reading,) = read_captures(next(CAPTURES.glob(f"{name}*.json")), CATALOGUE)
    assert reading.exam is not None
    return reading.exam


def page(one: Exam, catalogue: Catalogue = CATALOGUE, earlier: tuple[Exam, ...] = ()) -> html.HtmlElement:
    return html.document_fromstring(write(one, catalogue, "report", "html", earlier=earlier).decode())


def words(node: html.HtmlElement) -> str:
    """All text below a node, white space made one."""
    return one_space(" ".join(node.itertext()))


def one_space(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()


def section(root: html.HtmlElement, heading: str) -> str:
    """The text from a heading to the next of its rank."""
    (start,) = root.xpath(f"//main//h2[starts-with(., '{heading}')]")
    found = []
    for node in start.itersiblings():
        if node.tag == "h2":
            break
        found.append(words(node))
    return " ".join(found)


def rows(root: html.HtmlElement, catalogue: Catalogue) -> list[tuple[str, list[str]]]:
    """Region and cells of every row of the findings."""
    labels = [region.label for region in catalogue.regions.values()]
    found = []
    for table in root.xpath("//table"):
        caption = words(table.find("caption"))
        if caption in labels:
            found += [(caption, [words(cell) for cell in row]) for row in table.xpath("tbody/tr")]
    return found


def said(finding: Finding) -> str:
    """What was found, as the catalogue words it."""
    if isinstance(finding.value, At):
        return finding.value.time.isoformat(sep=" ", timespec="minutes")
    return one_space(visible(value_in_words(finding, CATALOGUE.items[finding.item], CATALOGUE)))


@given(one=exams(CATALOGUE))
@drawn(40)
def test_every_finding_is_there_with_side_place_state_and_note(one: Exam) -> None:
    root = page(one)
    all_rows = rows(root, CATALOGUE)
    for finding in one.findings:
        if finding.not_examined is not None:
            continue
        item = CATALOGUE.items[finding.item]
        region = CATALOGUE.regions[CATALOGUE.region_of[item.id]].label
        parts = [said(finding)]
        parts += [CATALOGUE.sites[finding.site].label] if finding.site else []
        parts += [CATALOGUE.states[finding.state].label] if finding.state else []
        parts += [CATALOGUE.methods[finding.method].label] if finding.method else []
        parts += [one_space(visible(finding.note))] if finding.note else []
        parts += [finding.side.value] if finding.side else []
        assert any(
            place == region and cells[0] == item.label and all(part in " ".join(cells) for part in parts)
            for place, cells in all_rows
        ), (finding, parts)


@given(one=exams(CATALOGUE))
@drawn(40)
def test_nothing_else_is_a_finding(one: Exam) -> None:
    """Each row of the findings is one that was recorded or that rests on one; no gap is a row."""
    recorded = {CATALOGUE.items[f.item].label for f in one.findings if f.not_examined is None}
    made = {CATALOGUE.items[computed.finding.item].label for computed in computed_findings(one, CATALOGUE)}
    for _, cells in rows(page(one), CATALOGUE):
        assert cells[0] in recorded | made


@given(one=exams(CATALOGUE))
@drawn(40)
def test_every_reason_and_every_gap_stands_apart(one: Exam) -> None:
    root = page(one)
    skipped = section(root, "Not examined, and why")
    for finding in one.findings:
        if finding.not_examined is not None:
            assert CATALOGUE.items[finding.item].label in skipped
            assert CATALOGUE.reasons[finding.not_examined].label in skipped
            assert one_space(visible(finding.note or "")) in skipped
    missing = section(root, "Not recorded")
    for gap in completeness(one, CATALOGUE):
        assert gap.said(CATALOGUE) in missing


@given(one=exams(CATALOGUE, max_items=5))
@drawn(40)
def test_hostile_names_stay_text_and_mother_and_newborn_apart(one: Exam) -> None:
    root = page(one)
    assert not root.xpath("//script | //img | //iframe | //form | //a")
    assert len(root.xpath("//html")) == 1
    about = {words(dt): words(dt.getnext()) for dt in root.xpath("//dt")}
    if one.newborn.name is not None:
        assert about["Newborn"] == one_space(visible(one.newborn.name))
    for identifier in one.newborn.identifiers:
        assert one_space(visible(identifier.value)) in about["Identifiers"]
    if one.newborn.mother is not None:
        for identifier in one.newborn.mother.identifiers:
            assert one_space(visible(identifier.value)) in about["Her identifiers"]
            assert one_space(visible(identifier.value)) not in about["Identifiers"]
    running = words(root.xpath("//div[@class='running']")[0])
    assert one_space(visible(one.newborn.identifiers[0].value)) in running
    assert one.details.id in running


@given(one=exams(CATALOGUE, max_items=10))
@drawn(12)
def test_the_pdf_says_the_same(one: Exam) -> None:
    """Latin words of findings and reasons, read back from the PDF by an independent library."""
    pdf = write(one, CATALOGUE, "report", "pdf")
    text = re.sub(r"\s+", "", "".join(p.extract_text() for p in PdfReader(BytesIO(pdf)).pages))
    for finding in one.findings:
        item = CATALOGUE.items[finding.item]
        assert re.sub(r"\s+", "", item.label) in text
        answer = item.answer(finding.answer) if finding.answer else None
        expected = answer.label if answer else ""
        if finding.not_examined is not None:
            expected = CATALOGUE.reasons[finding.not_examined].label
        assert re.sub(r"\s+", "", expected) in text


def test_what_must_be_told_comes_before_every_finding() -> None:
    """Example d05, whose story is in examples/README.md: weak femoral pulses, a failed oxygen screen."""
    root = page(read("d05"))
    headings = [words(node) for node in root.xpath("//main//h2")]
    assert headings[0] == "What must be told"
    assert headings[1] == "Tell the provider now (3)"
    assert headings.index("Findings, in the order of the exam") > 1
    notice = words(root.xpath("//section[contains(@class, 'loud')]")[0])
    assert "Circulation that may depend on the duct" in notice
    assert "Femoral pulse, left: Weak" in notice
    (number,) = (words(li).split()[0] for li in root.xpath("//main//li") if "Stockholm" in words(li))
    assert number in notice  # the source as a numbered note
    assert "duct_dependent_circulation" not in words(root)
    assert "https://" not in words(root).partition("Sources of ranges")[0]
    foot = [
        cells for _, cells in rows(root, CATALOGUE) if cells[0].startswith("Oxygen saturation") and "88" in cells[2]
    ]
    assert "abnormal, very low TELL NOW" in foot[0][3]


def test_it_is_printed_on_the_paper_of_the_site() -> None:
    """Letter is 8.5 by 11 inches (ANSI/ASME Y14.1, size A), A4 210 by 297 mm (ISO 216); points of 1/72 inch."""
    letter = replace(CATALOGUE, settings=CATALOGUE.settings.model_copy(update={"paper": "letter"}))
    for catalogue, size in ((CATALOGUE, (595, 842)), (letter, (612, 792))):
        (first, *_) = PdfReader(BytesIO(write(read("d05"), catalogue, "report", "pdf"))).pages
        assert (round(first.mediabox.width), round(first.mediabox.height)) == size


def test_an_empty_tell_list_is_not_all_normal() -> None:
    root = page(exam(findings=(Finding(item="cry", value="strong"),)))
    told = section(root, "What must be told")
    assert "Nothing among what was examined is marked to be told." in told
    assert "Not examined and not recorded are not normal." in told
    assert "1 findings recorded, 0 not examined" in told


def test_amended_and_withdrawn_are_said_loudly() -> None:
    amended = exam(id="inv-2", status=Status.AMENDED, amends="inv-1", reason="The side was wrong.")
    notice = words(page(amended).xpath("//section[contains(@class, 'loud')]")[0])
    assert "AMENDED: stands in place of exam inv-1" in notice
    assert "The side was wrong." in notice
    withdrawn = exam(id="inv-3", status=Status.ENTERED_IN_ERROR, amends="inv-1", reason="Wrong infant.")
    root = page(withdrawn)
    assert words(root.xpath("//p[@class='banner']")[0]) == "ENTERED IN ERROR"
    assert "Do not act on it." in words(root)
    for one in PdfReader(BytesIO(write(withdrawn, CATALOGUE, "report", "pdf"))).pages:
        assert "ENTERED IN ERROR" in one.extract_text()
    assert "ENTERED IN ERROR" not in words(page(amended))


def test_twins_cannot_be_taken_for_each_other() -> None:
    first = exam(newborn={"birth_order": BirthOrder(order=1, of=2), "mother": mother()})
    root = page(first)
    assert "first of 2" in words(root.xpath("//div[@class='running']")[0])
    assert "first of 2, multiple birth" in words(root)


def test_captured_and_converted_units_and_the_range_in_force() -> None:
    """7 lb 4 oz = 3288.54 g and 98.2 degrees F = 36.78 degrees C (NIST Handbook 44, appendix C), example d10-2."""
    found = {cells[0]: cells for _, cells in rows(page(read("d10-2")), CATALOGUE)}
    assert found["Birth weight"][2] == "7 lb 4 oz = 3288.54 g"
    assert found["Body temperature"][2].endswith("= 36.78 °C")
    assert "range ≥36.5 and ≤37.5 °C" in found["Body temperature"][4]


def test_scores_sign_by_sign_and_what_is_missing() -> None:
    """Apgar: two points for a heart rate of 100 or more (Apgar statement, AAP and ACOG 2015)."""
    root = page(read("d10-2"))
    table = next(t for t in root.xpath("//table") if words(t.find("caption")).startswith("Apgar score at 1 minute"))
    assert words(table.find("caption")) == "Apgar score at 1 minute: total 9"
    assert ["Heart rate", "100 or more", "2"] in [[words(c) for c in row] for row in table.xpath("tbody/tr")]
    sign = CATALOGUE.items["apgar_5_min"].signs[0]
    part = exam(findings=(Finding(item="apgar_5_min", value=Score(signs={sign.id: sign.answers[-1].id})),))
    captions = [words(t.find("caption")) for t in page(part).xpath("//table")]
    assert any("no total; without" in caption for caption in captions)


def later(days: int, grams: int, **more: object) -> Exam:
    weight = Finding(item="weight", value=Quantity(value=Decimal(grams), unit="g"))
    return exam(findings=(weight,), id=f"day-{days}", started=BORN + timedelta(days=days), **more)


def test_the_weight_over_the_exams_is_drawn_and_said() -> None:
    earlier = (exam(), later(1, 2960))
    root = page(later(3, 3020), earlier=earlier)
    (plot,) = (node for node in root.xpath("//*[local-name()='svg']") if node.get("aria-label").startswith("Weight"))
    assert "3100 g at 0.0 h" in plot.get("aria-label").replace("3.10", "3100").replace("3100.00", "3100")
    assert "2960 g at 24.0 h" in plot.get("aria-label")
    assert "3020 g at 72.0 h" in plot.get("aria-label")
    assert len(plot.xpath(".//*[local-name()='circle']")) == 4
    assert "Since the earlier exams" in words(root)
    assert "inv-1" in words(root)


def test_without_earlier_exams_nothing_is_compared() -> None:
    other = exam(newborn={"identifiers": (read("d05").newborn.identifiers[0],)})
    assert "Since the earlier exams" not in words(page(exam(), earlier=(other,)))


def test_centiles_are_drawn_only_of_a_reference_that_the_site_has(tmp_path: Path) -> None:
    """INTERGROWTH-21st newborn standard (Lancet 2014;384:857), girls at 40 weeks: 2.55 to 4.08 kg, 3rd to 97th."""
    site = site_with(tmp_path, "intergrowth", intergrowth_csv())
    alt = [node.get("aria-label") for node in page(exam(), site).xpath("//*[local-name()='svg']")]
    drawn = next(text for text in alt if "among the centiles" in text)
    assert "3, 10, 50, 90, 97 of Table intergrowth" in drawn
    assert "39.3 weeks" in drawn
    assert not any("among the centiles" in words(node) for node in page(exam()).xpath("//figure"))


def test_cautions_sources_policy_and_versions() -> None:
    text = words(page(exam()))
    for part in (
        "not a diagnosis",
        "Not examined and not recorded are not normal",
        "policy in force",
        "catalogue 20",
    ):
        assert part in text
    assert re.search(r"\[1\] \S", section(page(exam()), "Sources of ranges and rules"))


def test_both_sides_alike_are_one_row() -> None:
    answers = [answer.id for answer in CATALOGUE.items["clavicle"].answers]
    both = tuple(Finding(item="clavicle", value=answers[0], side=side) for side in (Side.LEFT, Side.RIGHT))
    found = [cells for _, cells in rows(page(exam(findings=both)), CATALOGUE)]
    assert [cells[1] for cells in found if cells[0] == CATALOGUE.items["clavicle"].label] == ["left and right"]
    differ = (both[0], both[1].model_copy(update={"value": answers[-1]}))
    found = [cells for _, cells in rows(page(exam(findings=differ)), CATALOGUE)]
    assert [c[1] for c in found if c[0] == CATALOGUE.items["clavicle"].label] == ["left", "right"]


@given(seed=st.data())
@drawn(8)
def test_the_same_exam_is_the_same_report(seed: st.DataObject) -> None:
    one = seed.draw(exams(CATALOGUE, max_items=6))
    for encoding in ("html", "pdf"):
        assert write(one, CATALOGUE, "report", encoding) == write(one, CATALOGUE, "report", encoding)


def test_only_its_own_encodings() -> None:
    with pytest.raises(ValueError, match="html or pdf"):
        write(exam(), CATALOGUE, "report", "json")
