"""A site that says ``language: de`` shows nothing in English: each sentence is the list's, each label the draft's."""

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
from adapter.forms.worksheet import to_worksheet
from adapter.read import read_captures
from adapter.write import write
from adapter.write.v2.message import unjudged

ROOT = Path(__file__).parents[2]
_IDS = {"examiner", "length", "weight"}
"""Names of rules and items that stand in brackets behind a line."""


def _texts(entry: Any) -> Iterator[str]:
    """Every label and text of the catalogue, as it is written alone and within a sentence."""
    for name in ("label", "within", "how", "caution", "reason", "below", "above"):
        if text := getattr(entry, name, ""):
            yield text
    for name in ("answers", "components", "signs"):
        for one in getattr(entry, name, ()):
            yield from _texts(one)


def _labels(catalogue: Catalogue) -> Iterator[str]:
    lists = (getattr(catalogue, name) for name in (*LISTS, "regions", "items") if name not in ("systems", "sources"))
    return (text for some in lists for entry in some.values() for text in _texts(entry))


@pytest.fixture(scope="module", params=["de", "fr"])
def site(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
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
                details = exam.details.model_copy(update={"reason": exam.details.reason and "R"})
                found.append(exam.model_copy(update={"findings": bare, "details": details}))
    return found


def _english(site: Catalogue) -> set[str]:
    """Words of the English sentences and labels that are none of the site's language."""
    found = []
    for catalogue in (load_catalogue(), site):
        said = shipped_list(catalogue.language)
        assert said is not None
        texts = (*(str(sentence) for _, sentence in flat(said["sentences"])), *_labels(catalogue))
        found.append({word for text in texts for word in _tokens(text)})
    return found[0] - found[1] - _IDS


def _tokens(text: str) -> Iterator[str]:
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
    assert set(_tokens(text)) & _english(site) == set()


def test_no_word_of_a_sheet_is_english(site: Catalogue) -> None:
    text = " ".join(_shown(to_worksheet(site, kind)) for kind in site.kinds)
    assert site.words.remark() in text, "nobody has reviewed it"
    assert set(_tokens(text)) & _english(site) == set()
