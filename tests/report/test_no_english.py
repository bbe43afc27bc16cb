"""A site that says its language shows nothing in English: each sentence is the list's, each label the draft's."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import lxml.html
import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.labels import LISTS
from adapter.catalogue.words import flat, shipped_list
from adapter.exam import Exam
from adapter.forms import to_questionnaire
from adapter.forms.worksheet import to_worksheet
from adapter.read import read_captures
from adapter.write import deidentify, write
from adapter.write.coverage import coverage_report
from adapter.write.deidentify.cells import Cells
from adapter.write.deidentify.linked import DIFFERENT, Linked, Together
from adapter.write.deidentify.page import Loss, _done, write_page
from adapter.write.deidentify.policy import DeidentificationPolicy
from adapter.write.v2.message import unjudged

ROOT = Path(__file__).parents[2]
_SAID = ("label", "within", "how", "caution", "reason", "below", "above")
_IDS = {"encounter", "examiner", "length", "weight"}
"""Names of rules and items that stand in brackets behind a line, and of a system of identifiers."""


def numbered(catalogue: Catalogue) -> dict[str, Any]:
    """A number for every label and text of the catalogue, so that what is English is the program's own."""
    count = iter(range(1000, 100_000))

    def said(entry: Any) -> dict[str, Any]:
        found: dict[str, Any] = {
            name: f"Ä{next(count)}" for name in (*_SAID, "no_standard_code") if getattr(entry, name, "")
        }
        for name in ("answers", "components", "signs"):
            if inner := getattr(entry, name, ()):
                found[name] = {one.id: said(one) for one in inner}
        return found

    lists = {name: getattr(catalogue, name) for name in LISTS}
    made = {name: {one: said(entry) for one, entry in entries.items()} for name, entries in lists.items()}
    regions = {name: {"label": f"Ä{next(count)}"} for name in catalogue.regions}
    return {**made, "regions": regions, "items": {name: said(item) for name, item in catalogue.items.items()}}


@pytest.fixture(scope="module", params=["de", "fr"])
def site(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    """A site that says its language and nothing else: the shipped sentences, and the shipped labels."""
    folder = tmp_path_factory.mktemp(request.param)
    (folder / "site.yaml").write_text(f"language: {request.param}\n")
    return load_catalogue(folder)


def _exams(catalogue: Catalogue) -> list[Exam]:
    """The examples, without what their examiners wrote."""
    found = []
    for path in sorted((ROOT / "examples" / "captures").glob("*.json")):
        for reading in read_captures(path, catalogue):
            if reading.exam is not None:
                exam = reading.exam
                bare = tuple(f.model_copy(update={"note": None}) for f in exam.findings if f.text is None)
                own = {"reason": exam.details.reason and "R", "place": exam.details.place and "P"}
                details = exam.details.model_copy(update=own)
                found.append(exam.model_copy(update={"findings": bare, "details": details}))
    return found


def english(language: str) -> set[str]:
    """The words of the English list that the list of a language has not."""
    return _words("en") - _words(language) - _IDS


def _of_no_label(site: Catalogue) -> set[str]:
    """The same with the labels: English words of sentences and labels that the language has in neither."""
    ours, theirs = ({w for text in _texts(one) for w in tokens(text)} for one in (load_catalogue(), site))
    return (_words("en") | ours) - _words(site.language) - theirs - _IDS


def _words(language: str) -> set[str]:
    said = shipped_list(language)
    assert said is not None
    return {word for _, sentence in flat(said["sentences"]) for word in tokens(str(sentence))}


def _texts(catalogue: Catalogue) -> Iterator[str]:
    """Every label and text of the catalogue, as it is written alone and within a sentence."""

    def said(entry: Any) -> Iterator[str]:
        yield from (text for name in _SAID if (text := getattr(entry, name, "")))
        for name in ("answers", "components", "signs"):
            for one in getattr(entry, name, ()):
                yield from said(one)

    lists = (name for name in (*LISTS, "regions", "items") if name not in ("systems", "sources"))
    return (text for name in lists for entry in getattr(catalogue, name).values() for text in said(entry))


def tokens(text: str) -> Iterator[str]:
    """Words of three letters and more; ids and addresses, with their points, strokes and ranges, are none."""
    text = re.sub(r"\w*\[[^\]]*\]", " ", text)
    return (
        word for word in re.findall(r"[\w./-]+", re.sub(r"\{\w+\}", " ", text)) if re.fullmatch(r"[^\W\d_]{3,}", word)
    )


def _report(exam: Exam, catalogue: Catalogue) -> str:
    return _shown(write(exam, catalogue, "report", "html"))


def _shown(page: bytes) -> str:
    """The text of a page, what a screen reader says, and what its style sheet prints."""
    root = lxml.html.fromstring(page)
    style = " ".join(re.findall(r'content:"([^"]*)"', root.findtext(".//style") or ""))
    for one in root.findall(".//style"):
        one.drop_tree()
    said = [value for name in ("aria-label", "title", "alt") for value in root.xpath(f"//@{name}")]
    return " ".join([style, *said, *root.itertext()])


def _v2(exam: Exam, catalogue: Catalogue) -> str:
    found = []
    for line in unjudged(exam, catalogue):
        fields = line.split("|")
        if line.startswith("NTE"):
            found += [fields[3], fields[4].split("^")[1]]
        elif line.startswith("OBX") and fields[2] in ("ST", "TX", "FT"):
            found.append(fields[5])
    return " ".join(found)


def _document(exam: Exam, catalogue: Catalogue) -> str:
    bundle = json.loads(write(exam, catalogue, "document", "json"))
    divs: list[str] = []

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            divs.extend(value for key, value in node.items() if key == "div")
            [walk(value) for value in node.values()]
        elif isinstance(node, list):
            [walk(value) for value in node]

    walk(bundle)
    return " ".join(lxml.html.fromstring(div).text_content() for div in divs)


FORMS: dict[str, Callable[[Exam, Catalogue], str]] = {"report": _report, "v2": _v2, "document": _document}


@pytest.mark.parametrize("form", FORMS)
def test_no_word_of_an_exam_is_english(form: str, site: Catalogue) -> None:
    exams = _exams(site)
    text = " ".join(FORMS[form](exam, site) for exam in exams)
    names = {examiner.name or "" for exam in exams for examiner in exam.details.examiners}
    for name in sorted({*names, *(one.label for one in site.sources.values())} - {""}, key=len, reverse=True):
        text = text.replace(name, " ")
    assert set(tokens(text)) & _of_no_label(site) == set()


def test_no_word_of_a_sheet_is_english(site: Catalogue) -> None:
    text = " ".join(_shown(to_worksheet(site, kind)) for kind in site.kinds)
    assert site.words.remark() in text, "nobody has reviewed it"
    assert set(tokens(text)) & _of_no_label(site) == set()


def _without_marked(page: bytes) -> bytes:
    """A page without what it says is English: reasons for no code, displays of published codes."""
    root = lxml.html.fromstring(page)
    for one in root.xpath("//*[@lang='en']"):
        one.text = None
    return lxml.html.tostring(root, encoding="unicode").encode()


def test_the_coverage_page_shows_no_english_word(site: Catalogue) -> None:
    """Ids are nobody's language; what is English in every language is marked, and is not all of the page."""
    page = coverage_report(site.items.values(), site, "html").encode()
    marked = lxml.html.fromstring(page).xpath("//td//*[@lang='en']")
    assert len(marked) > len(site.items)
    text = _shown(_without_marked(page)).replace(site.settings.policy.name, " ")
    assert site.words.remark() in text
    assert set(tokens(text)) & _of_no_label(site) <= _OF_COMMANDS | {*site.items}
    assert lxml.html.fromstring(page).get("lang") == site.language


_OF_COMMANDS = {"adapter", "coverage", "items", "newborn", "terminology", "prove", "all", "off"}
"""What stands as it is typed: commands, and the values of settings."""


def test_the_page_of_a_release_shows_no_english_word(site: Catalogue, tmp_path: Path) -> None:
    """Whatever was done to exams and is known of newborns; what the policy says of itself is its file's."""
    for name, columns in _TABLES.items():
        (tmp_path / f"{name}.csv").write_text(columns + "\n")
    done = dict.fromkeys([*_DONE, "values of weight rounded", "values of weight banded"], 2)
    for said in ({}, {"dates": "shift", "shift_days": 9, "free_text": "keep", "mother": "pseudonym", "hours": 6}):
        more = (
            {"sensitive": ("murmur",), "l": 2, "round": {"weight": 50}, "gestation": "weeks", **said} if said else {}
        )
        policy = DeidentificationPolicy(policy=1, id="p", label="P", source="S", **{"dates": "year", **more})
        write_page(
            tmp_path,
            policy,
            Cells(policy.quasi_identifiers, 5, policy.l, policy.sensitive),
            Loss(1, 2, done),
            site.words,
            Together((Linked("2025", 9, 3, 2, dict.fromkeys(DIFFERENT, 1)),), few=1) if said else Together(),
        )
        page = (tmp_path / "release.html").read_bytes()
        names = {"combinations", "deidentification", "sex", *site.items}
        assert set(tokens(_shown(page))) & _of_no_label(site) <= names
        assert lxml.html.fromstring(page).get("lang") == site.language


_TABLES = {
    "newborns": "newborn_id,sex,gestation_weeks,born_of,mother_id",
    "exams": "exam_id,newborn_id,age_hours",
    "findings": "newborn_id,item,answer,number,meaning,origin,age_hours",
}
_DONE = ("exams", "times moved", "names left out", "mothers left out", "exams refused: other mother than before")


def test_everything_that_is_done_to_an_exam_has_its_words() -> None:
    """Each name that the counts are kept under, as it stands in the code."""
    rooms = Path(deidentify.__file__).parent
    names = {
        name
        for file in ("exam.py", "run.py")
        for name in re.findall(r'(?:log\[|Counter\(\{)f?"([^"]+)"', (rooms / file).read_text(encoding="utf-8"))
    }
    assert len(names) > 15
    for name in names:
        assert _done(re.sub(r"\{\w+\}", "weight", name), load_catalogue().words)


def test_the_forms_to_fill_in_show_no_english_word(site: Catalogue) -> None:
    """Texts of questions, title and caution; the displays of codes are as their systems publish them."""
    form = to_questionnaire(site, "initial")

    def texts(items: list[dict[str, Any]]) -> Iterator[str]:
        for item in items:
            yield re.sub(r" \[[^\]]*\]$", "", item["text"])
            yield from texts(item.get("item", []))

    said = " ".join([form["title"], form["purpose"], *texts(form["item"])])
    assert set(tokens(said)) & _of_no_label(site) == set()
    assert form["language"] == site.language
