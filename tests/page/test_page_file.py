"""The bedside page as a file: self-contained, small, shut by its policy, with the catalogue's data in it."""

from __future__ import annotations

import base64
import hashlib
import json
from html.parser import HTMLParser
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, Meaning, load_catalogue
from adapter.forms.page import page_data, to_page
from pages import unpacked


class Parts(HTMLParser):
    """What a page holds: elements with their attributes, and the text in style and script."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.inside: dict[str, str] = {}
        self._open = ""
        self.feed(page.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._open = dict(attrs).get("id") or tag

    def handle_data(self, data: str) -> None:
        self.inside[self._open] = self.inside.get(self._open, "") + data

    def handle_endtag(self, tag: str) -> None:
        self._open = ""

    @property
    def policy(self) -> str:
        return next(a["content"] or "" for _, a in self.elements if a.get("http-equiv") == "Content-Security-Policy")


@pytest.fixture(scope="module")
def parts(catalogue: Catalogue) -> Parts:
    return Parts(to_page(catalogue))


def test_it_is_small_and_nothing_in_it_points_elsewhere(catalogue: Catalogue, parts: Parts) -> None:
    assert len(to_page(catalogue)) < 300_000
    assert {name for _, attributes in parts.elements for name in attributes} & {"src", "href", "action"} == set()
    assert "@import" not in parts.inside["style"]
    assert "url(" not in parts.inside["style"]


@pytest.mark.parametrize("element", ["script", "style"])
def test_the_policy_lets_only_this_script_and_style_run(parts: Parts, element: str) -> None:
    """CSP Level 3, 6.7.3.3: the hash is of the element's text, byte for byte."""
    digest = base64.b64encode(hashlib.sha256(parts.inside[element].encode()).digest()).decode()
    assert f"{element}-src 'sha256-{digest}'" in parts.policy
    assert "unsafe" not in parts.policy


def test_it_connects_nowhere_unless_served(catalogue: Catalogue, parts: Parts) -> None:
    assert "default-src 'none'" in parts.policy
    assert "connect-src 'none'" in parts.policy
    served = Parts(to_page(catalogue, served=True))
    assert "connect-src 'self'" in served.policy
    assert json.loads(unpacked(served.inside["catalogue"]))["served"] is True


def test_its_data_is_the_catalogue_s(catalogue: Catalogue, parts: Parts) -> None:
    data = json.loads(unpacked(parts.inside["catalogue"]))
    assert data == json.loads(json.dumps(page_data(catalogue, None, served=False)))
    assert [item["id"] for item in data["items"]] == list(catalogue.items)
    for raw in data["items"]:
        item = catalogue.items[raw["id"]]
        answers = [
            (a[0], a[1], {"e": "expected", "v": "variant", "a": "abnormal"}[a[2]]) for a in raw.get("answers", [])
        ]
        assert answers == [(a.id, a.label, a.meaning.value) for a in item.answers]
    assert {rule["id"] for rule in data["rules"]} == {rule.id for rule in catalogue.rules.values() if rule.on}


def test_every_item_stands_on_one_page(catalogue: Catalogue, parts: Parts) -> None:
    data = json.loads(unpacked(parts.inside["catalogue"]))
    staged = [data["items"][n]["id"] for stage in data["stages"] for _, items in stage["pages"] for n in items]
    assert sorted(staged) == sorted(item.id for item in catalogue.items.values() if not item.computed)


def test_a_page_of_one_kind(catalogue: Catalogue) -> None:
    data = page_data(catalogue, "shift", served=False)
    assert list(data["kinds"]) == ["shift"]
    assert [data["items"][n]["id"] for n in data["kinds"]["shift"]["expected"]] == [
        item.id for item in catalogue.expected("shift")
    ]
    with pytest.raises(KeyError):
        to_page(catalogue, "weekly")


def test_labels_cannot_end_the_data(tmp_path: Path) -> None:
    """HTML standard, 4.12.1.3: script content is ended by </script and changed by <!--."""
    label = "</script><!--<script>\u2028&"
    (tmp_path / "regions").mkdir()
    text = f"region: face\nlabel: Face\nitems:\n- id: jaw\n  label: {json.dumps(label)}\n"
    (tmp_path / "regions" / "face.yaml").write_text(text, encoding="utf-8")
    page = Parts(to_page(load_catalogue(tmp_path)))
    assert [tag for tag, _ in page.elements].count("script") == 2
    data = json.loads(unpacked(page.inside["catalogue"]))
    assert next(item for item in data["items"] if item["id"] == "jaw")["label"] == label


def test_only_a_single_expected_answer_can_be_confirmed(catalogue: Catalogue) -> None:
    """These items have several expected answers: confirming a page leaves them to be tapped one by one."""
    several = [
        item.id
        for item in catalogue.items.values()
        if sum(answer.meaning is Meaning.EXPECTED for answer in item.answers) > 1
    ]
    assert {"infant_state", "exam_conditions", "genital_type", "feeding_method"} <= set(several)
