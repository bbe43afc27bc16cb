"""The web page, read with lxml's HTML parser; in a real browser: ``python tests/sandbox/in_a_browser.py``."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import lxml.html
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml.html import HtmlElement
from ward import NASTY, examples, of_another_maker, ward

from adapter.catalogue import Catalogue
from adapter.derive import computed_findings, tell_list
from adapter.derive.series import line_in_words
from adapter.document.markup import Html, tag
from adapter.exam import Exam, Urgency
from adapter.read import completeness
from adapter.sandbox.page.view import moment


@pytest.fixture(scope="module")
def exams(catalogue: Catalogue) -> list[Exam]:
    return examples(catalogue, "d01", "d05", "d09", "d10-2")


@pytest.fixture(scope="module")
def origin(exams: list[Exam], catalogue: Catalogue) -> Iterator[str]:
    with ward(exams, catalogue, *of_another_maker()) as found:
        yield found


def page(address: str) -> HtmlElement:
    answer = httpx.get(address, trust_env=False)
    assert answer.status_code == 200, answer.text
    return lxml.html.fromstring(answer.content)


def texts(element: HtmlElement, path: str) -> list[str]:
    return [found.text_content() for found in element.xpath(path)]


def of_exam(origin: str, exam: Exam) -> HtmlElement:
    """The page of an exam's newborn, found as a person would: by the link with her name."""
    [link] = page(f"{origin}/").xpath(f"//a[.='{exam.newborn.name}']")
    return page(origin + link.get("href"))


def test_the_list_of_newborns(origin: str, exams: list[Exam]) -> None:
    found = page(f"{origin}/")
    names = texts(found, "//tbody//a")
    assert names == [*(exam.newborn.name for exam in exams), NASTY]


def test_every_page_says_that_it_is_a_test_server(origin: str, exams: list[Exam]) -> None:
    for found in (page(f"{origin}/"), of_exam(origin, exams[0]), page(f"{origin}/newborns/foreign")):
        [banner] = found.xpath("//body/*[1][@role='alert']")
        assert "TEST SERVER" in banner.text_content()
        assert found.findtext(".//title", "").startswith("TEST")


SHOWN = {
    "now": ("Tell now", Urgency.TELL_NOW),
    "soon": ("Tell this shift", Urgency.TELL_SOON),
    "next": ("Tell", Urgency.TELL),
    "todo": ("Still to do", Urgency.NONE),
}


def test_what_must_be_told_stands_first(origin: str, exams: list[Exam], catalogue: Catalogue) -> None:
    """The same lines, in the same order, as the library's own list; before any finding."""
    for exam in exams:
        [section] = of_exam(origin, exam).xpath("//section")
        tells = tell_list(exam, computed_findings(exam, catalogue), catalogue)
        for name, (word, urgency) in SHOWN.items():
            lines = [f"{word}{line_in_words(tell, catalogue.words)}" for tell in tells if tell.urgency is urgency]
            assert texts(section, f".//li[@class='{name}']") == lines
        assert [element.tag for element in section][:2] == ["h2", "ul" if tells else "p"]
        if not tells:
            assert "does not say that all is normal" in section[1].text_content()


def test_absent_is_never_normal(origin: str, exams: list[Exam], catalogue: Catalogue) -> None:
    """Not examined and not recorded, each as often as the exam has it, and each apart from what was found."""
    seen = 0
    for exam in exams:
        found = of_exam(origin, exam)
        skipped = [finding for finding in exam.findings if finding.not_examined is not None]
        gaps = completeness(exam, catalogue)
        absent = found.xpath("//*[@class='absent']")
        assert len(absent) == len(skipped)
        for one in absent:
            assert one.text_content().startswith("not examined: ")
            assert not one.getparent().xpath(".//*[@class='mark' or @class='value']")
        listed = ", ".join(texts(found, "//*[@class='gap']")).count(", ") + 1 if gaps else 0
        assert listed == sum(gap.said(catalogue).count(", ") + 1 for gap in gaps)
        for gap in gaps:
            assert any(gap.said(catalogue) in text for text in texts(found, "//*[@class='gap']"))
        recorded = len(found.xpath("//*[@class='value']"))
        [counts] = [t for t in texts(found, "//*[@class='counts']") if "not examined" in t and "recorded," in t][:1]
        assert counts.startswith(f"{recorded} recorded, {len(skipped)} not examined, {len(gaps)} not recorded")
        seen += len(skipped) + len(gaps)
    assert seen > 50


def test_sides_stand_side_by_side(origin: str, exams: list[Exam]) -> None:
    """Of each finding of one side in the exam: the cell of that side, in a row with the cell of the other."""
    exam = next(exam for exam in exams if exam.details.id == "demo-d05")
    rows = of_exam(origin, exam).xpath("//tr[th='Femoral pulse']")
    [row] = rows
    left, right = row.xpath("./td")
    assert (left.text_content()[:8], right.text_content()[:9]) == ("leftWeak", "rightWeak")
    assert "Tried three times." in left.text_content()
    whole = of_exam(origin, exam).xpath("//tr[th='Heart murmur']/td")
    assert [cell.get("colspan") for cell in whole] == ["2"]
    assert not whole[0].xpath(".//*[@class='side']")


def test_digits_stay(origin: str, exams: list[Exam]) -> None:
    exam = next(exam for exam in exams if exam.details.id == "demo-d10-v2")
    assert any(text.startswith("36.78 Cel") for text in texts(of_exam(origin, exam), "//*[@class='value']"))


def test_amended_and_retracted_are_marked(origin: str, exams: list[Exam]) -> None:
    exam = next(exam for exam in exams if exam.details.id == "demo-d10-v2")
    assert texts(of_exam(origin, exam), "//h2/*[@class='status amended']") == ["amended"]
    foreign = page(f"{origin}/newborns/foreign")
    assert texts(foreign, "//h2/*[@class='status entered-in-error']") == ["entered in error"]


def test_exams_of_another_maker(origin: str) -> None:
    found = page(f"{origin}/newborns/foreign")
    exam, loose = found.xpath("//section")
    assert "what was not recorded cannot be told" in exam.text_content()
    assert texts(exam, ".//li[@class='now']") == [f"Tell now{NASTY}"]
    assert "no judgement" in " ".join(texts(exam, ".//*[@class='mark']"))
    assert texts(exam, ".//*[@class='absent']") == ["not examined: no reason given"]
    assert loose.xpath(".//th[.='a loose one']")
    assert texts(loose, ".//*[@class='value']") == ["true"]


def test_markup_in_resources_stays_text(origin: str) -> None:
    for address in (f"{origin}/", f"{origin}/newborns/foreign"):
        found = page(address)
        assert found.xpath("//script | //img | //style | //*[@onerror] | //iframe | //form") == []
        assert NASTY in found.text_content()


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"])))
def test_any_text_comes_back_as_it_went_in(text: str) -> None:
    made = tag("p", tag("b", text, title=text), class_="x")
    [bold] = lxml.html.fromstring(f"<div>{made}</div>").xpath("//p[@class='x']/*")
    assert (bold.text_content(), bold.get("title")) == (text, text)
    assert tag("p", Html(text)) == f"<p>{text}</p>"


def test_headers_that_keep_scripts_and_others_out(origin: str) -> None:
    """Content Security Policy Level 3: nothing is loaded but the page's own style sheet."""
    for path in ("/", "/newborns/foreign", "/style.css"):
        headers = httpx.get(origin + path, trust_env=False).headers
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        assert policy.pop("default-src") == "'none'"
        assert policy.pop("style-src") == "'self'"
        assert set(policy.values()) == {"'none'"}
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
    assert httpx.get(f"{origin}/style.css", trust_env=False).headers["content-type"].startswith("text/css")


def test_only_under_a_name_of_this_machine(origin: str) -> None:
    """Against DNS rebinding: a name that somebody else made lead here gets no page (RFC 9110, 15.5.20: 421)."""
    port = origin.rpartition(":")[2]
    for name, status in ((f"localhost:{port}", 200), ("127.0.0.1", 200), ("evil.example", 421)):
        assert httpx.get(f"{origin}/", headers={"Host": name}, trust_env=False).status_code == status, name


def test_only_for_reading(origin: str) -> None:
    for method in ("POST", "PUT", "DELETE"):
        assert httpx.request(method, f"{origin}/newborns/foreign", trust_env=False).status_code == 405
    assert httpx.get(f"{origin}/newborns/nobody", trust_env=False).status_code == 404


def test_many_newborns_come_in_pages(catalogue: Catalogue) -> None:
    many = [{"resourceType": "Patient", "id": f"n{number}"} for number in range(205)]
    with ward([], catalogue, *many) as origin:
        seen, address = [], "/"
        while address:
            found = page(origin + address)
            seen += texts(found, "//tbody//a")
            address = next(iter(found.xpath("//main/p/a/@href")), "")
        assert seen == [f"Patient n{number}" for number in range(205)]


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("2024-05-01T08:09:10.5+02:00", "2024-05-01 08:09 +02:00"),
        ("2024-05-01T08:09:10Z", "2024-05-01 08:09 UTC"),
        ("2024-05-01T08:09:10-03:30", "2024-05-01 08:09 -03:30"),
        ("2024-05", "2024-05"),
        ("", "no time"),
    ],
)
def test_moments_keep_their_offset(given: str, shown: str) -> None:
    assert moment(given) == shown
