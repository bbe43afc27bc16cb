"""Documents as HTML: self-contained under a strict policy, accessible, and nothing in a text becomes markup.

Sources: CSP Level 3 (hash sources); WCAG 2.2, success criteria 1.1.1, 1.3.1, 3.1.1; FHIR R4 narrative, section 2.4.
"""

from __future__ import annotations

from base64 import b64encode
from decimal import Decimal
from hashlib import sha256

import pytest
from lxml import etree, html

from adapter.document import (
    Beside,
    Blank,
    Block,
    Bullets,
    Column,
    Curve,
    Document,
    Entry,
    Fields,
    Heading,
    Notice,
    Paragraph,
    Plot,
    Row,
    Run,
    Table,
    Tick,
    Tone,
    narrative,
    say,
    to_html,
)
from adapter.fhir.xml import XHTML
from adapter.validate.narrative import is_allowed_html

HOSTILE = "</td></style><script>alert(1)</script><!-- ]]> & \"' \u202eevil \ue000"

# FHIR R4 narrative: the elements of HTML 4.0 chapters 7 to 11 (but section 4 of chapter 9) and 15, <a> and <img>.
_NAMES = """
div span h1 h2 h3 h4 h5 h6 address bdo em strong dfn code samp kbd var cite abbr acronym blockquote q sub sup p br pre
ul ol li dl dt dd table caption thead tfoot tbody colgroup col tr th td tt i b big small strike s u font hr a img
"""
ALLOWED = set(_NAMES.split())


def blocks(text: str) -> tuple[Block, ...]:
    """One block of every kind, the text in every place that takes one."""
    plot = Plot(text, text, text, (Curve(text, ((Decimal(0), Decimal(1)), (Decimal(2), Decimal("1.5")))),), text)
    return (
        Heading(text),
        Paragraph(say(Run(text, Tone.LOUD), Run(text, Tone.QUIET)), Tone.MARKED),
        Bullets((say(text), say(text))),
        Fields(((text, say(text)),)),
        Table(text, (Column(text, 2), Column("Found", 3)), (Row((say(text), say(text)), Tone.NOTED),)),
        Entry((say(Tick("L"), text, Tick(), "two words", Blank(12)),)),
        plot,
        Beside((plot, plot)),
        Notice(text, (Paragraph(say(text)),), Tone.LOUD),
    )


def page(text: str, **more: object) -> Document:
    """A document that says a text everywhere."""
    return Document(
        title=text, language="en", running=say(Run(text, Tone.STRONG)), foot=text, blocks=blocks(text), **more
    )


def test_nothing_comes_from_elsewhere_and_nothing_runs() -> None:
    root = html.document_fromstring(to_html(page("plain")))
    policy = root.xpath("string(//meta[@http-equiv='Content-Security-Policy']/@content)")
    style = root.xpath("string(//style)")
    digest = b64encode(sha256(style.encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    assert not root.xpath("//script | //link | //img | //iframe | //object | //*[@style] | //*[@src] | //*[@href]")
    assert not root.xpath("//@*[starts-with(name(), 'on')]")
    assert "url(" not in style
    assert "@import" not in style


def test_text_stays_text() -> None:
    root = html.document_fromstring(to_html(page(HOSTILE, banner=HOSTILE, subject=HOSTILE)))
    assert not root.xpath("//script")
    assert len(root.xpath("//style")) == 1
    assert "<script>alert(1)</script>" in root.xpath("string(//li[1])")
    assert "[U+202E]evil" in root.xpath("string(//li[1])")
    assert "[U+E000]" in root.xpath("string(//li[1])")


def test_it_can_be_read_without_eyes() -> None:
    root = html.document_fromstring(to_html(page("said")))
    assert root.get("lang") == "en"
    assert root.xpath("count(//h1)") == 1
    assert root.xpath("//table[caption]//th[@scope='col']")
    assert root.xpath("//tbody/tr/th[@scope='row']")
    assert all(node.get("aria-label") for node in root.xpath("//svg | //*[@role='img']"))
    assert root.xpath("//meta[@name='viewport']")
    assert root.xpath("//main")


def test_a_tone_is_never_colour_alone() -> None:
    """Marked and noted rows have a bar of their own width, loud text is inverted; print keeps both."""
    style = html.document_fromstring(to_html(page("x"))).xpath("string(//style)")
    assert "border-left:6px solid" in style
    assert "border-left:2px solid" in style
    assert "print-color-adjust:exact" in style


def test_whom_it_is_about_is_on_every_printed_page() -> None:
    style = html.document_fromstring(to_html(page('A "quoted" \\ name', paper="letter"))).xpath("string(//style)")
    assert '@page{size:letter portrait;@top-left{content:"A \\22 quoted\\22  \\5c  name"' in style
    assert 'counter(page) " of " counter(pages)' in style


@pytest.mark.parametrize("language", [None, "en"])
@pytest.mark.parametrize("text", ["plain", HOSTILE, "two\nlines"])
def test_narratives_hold_only_what_the_standard_allows(text: str, language: str | None) -> None:
    div = narrative(blocks(text), language)
    assert is_allowed_html(div)
    root = etree.fromstring(div.encode())
    names = {etree.QName(node) for node in root.iter()}
    assert {name.namespace for name in names} == {XHTML}
    assert {name.localname for name in names} <= ALLOWED
    attributes = {etree.QName(key).localname for node in root.iter() for key in node.attrib}
    assert attributes <= {"lang"}
    assert "alert(1)" not in "".join(etree.QName(node).localname for node in root.iter())


def test_the_same_document_is_the_same_page() -> None:
    assert to_html(page("x")) == to_html(page("x"))


@pytest.mark.parametrize("shares", [(1,), (6, 6, 3, 9), (1,) * 7, (3, 2, 4, 2, 5), (3, 2)])
def test_columns_fill_the_page_whatever_their_shares(shares: tuple[int, ...]) -> None:
    """Every width that a table names is in the style sheet, and they come to the whole within rounding."""
    table = Table("t", tuple(Column(f"c{n}", share) for n, share in enumerate(shares)), ())
    whole = Document(title="t", language="en", running=say("t"), foot="t", blocks=(table,))
    root = html.document_fromstring(to_html(whole))
    style = root.xpath("string(//style)")
    widths = [int(style.partition(f".{name}{{width:")[2].partition("%")[0]) for name in root.xpath("//col/@class")]
    assert 80 <= sum(widths) <= 120


def test_words_in_another_language_are_said_to_be_so() -> None:
    """WCAG 2.2, 3.1.2: also where they look like the rest, which is no element of its own."""
    told = Paragraph(say(Run("before "), Run("Neugeborenes", language="de"), Run(" after")))
    root = html.document_fromstring(to_html(Document("t", "en", say("t"), "t", (told,))))
    (paragraph,) = (node for node in root.iter("p") if "before" in node.text_content())
    assert paragraph.text == "before "
    assert [(node.text, node.get("lang"), node.get("class")) for node in paragraph] == [("Neugeborenes", "de", None)]


@pytest.mark.parametrize("weights", [(3300, 3050, 3200), (3300, 3300), (3300,)])
def test_a_plot_stays_in_its_frame(weights: tuple[int, ...]) -> None:
    """Also where the same was measured twice, or once: nothing is cut off, more is higher, later is to the right."""
    measured = Curve("Weight", tuple((Decimal(day), Decimal(grams)) for day, grams in enumerate(weights)), dots=True)
    usual = Curve("P50", ((Decimal(0), Decimal(3400)), (Decimal(2), Decimal(3300))), dots=False)
    for curves in ((measured, usual), (measured,)):
        plot = Plot("Weight", "days", "g", curves, "alt")
        root = html.document_fromstring(to_html(Document("t", "en", say("t"), "t", (plot,))))
        (drawn,) = root.iter("svg")
        _, _, width, height = map(float, drawn.get("viewbox", drawn.get("viewBox")).split())
        lines = [
            [tuple(map(float, point.split(","))) for point in one.get("points").split()]
            for one in drawn.iter("polyline")
        ]
        words = {one.text: (float(one.get("x")), float(one.get("y"))) for one in drawn.iter("text")}
        dots = [(float(one.get("cx")), float(one.get("cy"))) for one in drawn.iter("circle")]
        for x, y in (*(point for line in lines for point in line), *words.values(), *dots):
            assert 0 <= x <= width
            assert 0 <= y <= height
        across = [(start, end) for start, end, *more in lines if not more and start[1] == end[1]]
        upright = [(start, end) for start, end, *more in lines if not more and start[0] == end[0]]
        assert [min(across)[0][0], max(across)[1][0]] == [min(upright)[0][0], max(upright)[0][0]]
        assert {y for (_, y), _ in across} >= {y for point in upright[0] for _, y in [point]}
        assert dots == sorted(dots)
        steps = [float(text) for text, (x, _) in words.items() if x < upright[0][0][0] and text.isdigit()]
        assert max(steps) - min(steps) > 100  # a gram is no step of what was measured once
        heights = [y for _, y in dots]
        assert sorted(range(len(dots)), key=lambda n: -heights[n]) == sorted(
            range(len(dots)), key=weights.__getitem__
        )
        if usual in curves:
            (end,) = (
                line[-1] for line in lines if len(line) == 2 and line[0][0] < line[1][0] and line[0][1] < line[1][1]
            )
            assert 0 < words["P50"][1] - end[1] < 4  # its letters stand beside the end of its line, not above it
