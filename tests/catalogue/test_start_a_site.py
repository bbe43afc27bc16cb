"""A site's folder is started: what was said stands in it, it passes the linter, and nothing is written over."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from adapter.catalogue import load_catalogue
from adapter.catalogue.lint import lint
from adapter.cli import cli

FULL = {
    "--organisation": 'The "Invented" Hospital: east',
    "--organisation-id": "urn:oid:2.999.7|east",
    "--country": "us",
    "--language": "de",
    "--time-zone": "Europe/Berlin",
    "--identifiers": "urn:oid:2.999.7.1",
    "--identifier-type": "PI",
    "--assigner": "Ward # 3",
    "--sender": "WARD",
    "--receiver": "HIS",
}


def start(folder: Path, options: dict[str, str]) -> Result:
    return CliRunner().invoke(cli, ["site", "start", str(folder), *(part for one in options.items() for part in one)])


@pytest.mark.parametrize(
    "options", [{}, {"--country": "FR", "--language": "fr-CA"}, FULL], ids=["none", "some", "all"]
)
def test_it_passes_the_linter_at_once(options: dict[str, str], tmp_path: Path) -> None:
    result = start(tmp_path / "ward", options)
    assert result.exit_code == 0, result.output
    assert lint(load_catalogue(tmp_path / "ward")) == []


def test_what_was_said_stands_in_it(tmp_path: Path) -> None:
    start(tmp_path, FULL)
    catalogue = load_catalogue(tmp_path)
    settings, v2 = catalogue.settings, catalogue.v2
    assert settings.organisation is not None
    assert settings.organisation.name == FULL["--organisation"]
    assert (settings.organisation.identifier.system, settings.organisation.identifier.value) == (
        "urn:oid:2.999.7",
        "east",
    )
    assert settings.identifier_systems == {"mrn": "urn:oid:2.999.7.1"}
    assert (settings.identifier_kinds["mrn"].type, settings.identifier_kinds["mrn"].assigner) == ("PI", "Ward # 3")
    assert (settings.language, settings.time_zone, settings.paper) == ("de", "Europe/Berlin", "letter")
    assert (v2.sending_facility.namespace, v2.receiving_facility.namespace, v2.processing_id) == ("WARD", "HIS", "T")


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "v2.yaml").write_text("section: PHY\n")
    result = start(tmp_path, FULL)
    assert result.exit_code == 1
    assert "v2.yaml stands in" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["v2.yaml"]
    assert (tmp_path / "v2.yaml").read_text() == "section: PHY\n"


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--identifiers", "our numbers", "absolute URI"),
        ("--language", "German", "language"),
        ("--time-zone", "Berlin", "time_zone"),
        ("--identifier-type", "MRN", "0203"),
        ("--sender", "A|B", "sending_facility"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(option: str, value: str, said: str, tmp_path: Path) -> None:
    result = start(tmp_path / "ward", {"--identifiers": "urn:oid:2.999.7.1", option: value})
    assert result.exit_code == 1, result.output
    assert said in result.output
    assert not (tmp_path / "ward").exists()
