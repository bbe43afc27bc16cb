"""R4B and R5: each resource passes the models of that release (fhir.resources), and reads back to the same exam."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import Catalogue
from adapter.cli import cli
from adapter.derive.every_use import some_exams
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.fhir.release import is_of_r5, to_r4, to_release
from adapter.read import read, read_captures
from adapter.read.bundle import from_bundle
from adapter.validate import validate
from adapter.write import write
from drawn import drawn
from tests.told.told_exams import TELLINGS, record

CAPTURES = sorted((Path(__file__).parents[2] / "examples" / "captures").glob("d*.json"))


@pytest.fixture(scope="module")
def examples(catalogue: Catalogue) -> list[Exam]:
    found = [
        reading.exam
        for path in [CAPTURES[0], *CAPTURES[-5:]]
        for reading in read_captures(path, catalogue)
        if reading.accepted
    ]
    told = next(iter(read(BytesIO(json.dumps(record(TELLINGS)).encode()), catalogue))).exam
    return [exam for exam in [told, *found, *some_exams(catalogue)[11:14]] if exam is not None]


def written(exams: list[Exam], site: Catalogue) -> Iterator[tuple[Exam, bytes]]:
    """The exams as transactions, and the first of them as documents."""
    for kind, several in (("transaction", exams), ("document", exams[:3])):
        yield from ((exam, write(exam, site, kind)) for exam in several)


def of_release(catalogue: Catalogue, release: str, attached: str | None = None) -> Catalogue:
    emit = catalogue.settings.emit.model_copy(update={"participants": True})
    changed = {"fhir": release, "attached_report": attached, "emit": emit}
    return replace(catalogue, settings=catalogue.settings.model_copy(update=changed))


@pytest.mark.parametrize(("release", "room"), [("R4B", "fhir.resources.R4B"), ("R5", "fhir.resources")])
def test_every_resource_passes_the_models_of_the_release(
    release: str, room: str, examples: list[Exam], catalogue: Catalogue
) -> None:
    for _, content in written(examples, of_release(catalogue, release, "html")):
        for resource in (entry["resource"] for entry in json.loads(content)["entry"]):
            name = resource["resourceType"]
            getattr(import_module(f"{room}.{name.lower()}"), name).model_validate(resource)


@pytest.mark.parametrize("release", ["R4B", "R5"])
def test_it_reads_back_to_the_same_exam(release: str, examples: list[Exam], catalogue: Catalogue) -> None:
    for exam, content in written(examples, of_release(catalogue, release, "html")):
        bundle = loads(content)
        assert from_bundle(bundle, catalogue) == [exam]
        assert [one.exam for one in read(bundle, catalogue)] == [exam]


def test_r5_differs_where_it_must_and_r4_is_what_it_was(examples: list[Exam], catalogue: Catalogue) -> None:
    exam = examples[0]
    plain = write(exam, of_release(catalogue, "R4"), "transaction")
    assert write(exam, of_release(catalogue, "R4B"), "transaction") == plain
    r5 = loads(write(exam, of_release(catalogue, "R5"), "transaction"))
    (encounter,) = (e["resource"] for e in r5["entry"] if e["resource"]["resourceType"] == "Encounter")
    assert isinstance(encounter["class"], list)
    (told, *_) = (e["resource"] for e in r5["entry"] if e["resource"]["resourceType"] == "Communication")
    assert [sorted(reason) for reason in told["reason"][:2]] == [["concept"], ["reference"]]
    assert to_r4(r5) == loads(plain)
    assert to_r4(loads(plain)) == loads(plain)
    assert to_release(loads(plain), "R4") == loads(plain)


def test_validate_says_that_it_judges_r4(examples: list[Exam], catalogue: Catalogue) -> None:
    exam = examples[0]
    r5 = [one.rule for one in validate(loads(write(exam, of_release(catalogue, "R5"), "transaction")))]
    assert r5[0] == "other-release"
    for release in ("R4", "R4B"):
        assert validate(loads(write(exam, of_release(catalogue, release), "transaction"))) == []
    assert not is_of_r5({"resourceType": "Bundle", "entry": 7})


def test_r5_is_not_written_as_xml(examples: list[Exam], catalogue: Catalogue) -> None:
    with pytest.raises(ValueError, match="json, not as xml"):
        write(examples[0], of_release(catalogue, "R5"), "transaction", "xml")


def test_the_option_goes_before_the_setting(tmp_path: Path) -> None:
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "site.yaml").write_text("fhir: R5\n")
    run, capture = CliRunner(), str(CAPTURES[0])
    r5 = run.invoke(cli, ["convert", capture, "--site", str(tmp_path / "site")]).stdout
    assert '"actualPeriod"' in r5 or '"contentCodeableConcept"' in r5
    assert run.invoke(cli, ["convert", capture, "--fhir", "R5"]).stdout == r5
    r4 = run.invoke(cli, ["convert", capture]).stdout
    assert run.invoke(cli, ["convert", capture, "--site", str(tmp_path / "site"), "--fhir", "R4"]).stdout == r4
    refused = run.invoke(cli, ["convert", capture, "--fhir", "R5", "--format", "xml"])
    assert refused.exit_code == 2
    assert "not as xml" in refused.output


_VALUE: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.text(max_size=3) | st.integers(),
    lambda inner: (
        st.lists(inner, max_size=2)
        | st.dictionaries(
            st.sampled_from(("coding", "reference", "text", "contentCodeableConcept", "code")), inner, max_size=2
        )
    ),
    max_leaves=5,
)
_TYPES = ("CommunicationRequest", "Encounter", "Device", "Composition", "Provenance", "Bundle")
_NAMES = (
    "payload",
    "reason",
    "class",
    "status",
    "name",
    "identifier",
    "subject",
    "why",
    "contained",
    "entry",
    "intent",
)


@given(st.sampled_from(_TYPES), st.dictionaries(st.sampled_from(_NAMES), _VALUE, max_size=4))
@drawn(100)
def test_whatever_is_read_breaks_nothing(kind: str, content: dict[str, Any]) -> None:
    assert to_r4({"resourceType": kind, **content})["resourceType"] == kind
