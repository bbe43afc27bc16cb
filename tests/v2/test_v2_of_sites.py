"""The three invented sites (``examples/sites/``): every example, in each site's own way, and read back."""

from __future__ import annotations

from pathlib import Path

import hl7
import pytest

from adapter.catalogue import load_catalogue
from adapter.catalogue.lint import lint
from adapter.read.oru import from_oru
from adapter.v2.er7 import CHARSETS
from adapter.write.v2 import to_oru
from examples.regenerate import example, names
from messages import unjudged_oru

SITES = Path(__file__).parents[2] / "examples" / "sites"
every_site = pytest.mark.parametrize("site", sorted(path.parent.name for path in SITES.glob("*/v2.yaml")))


def test_each_site_has_settings_of_its_own() -> None:
    """All but the site that shows a table of its own and nothing else."""
    folders = {path.name for path in SITES.iterdir() if path.is_dir()} - {"rowan-firth"}
    assert {path.parent.name for path in SITES.glob("*/v2.yaml")} == folders
    settings = [load_catalogue(SITES / name).v2 for name in sorted(folders)]
    assert len({one.model_dump_json() for one in settings}) == len(folders) == 3


@every_site
def test_no_setting_is_wrong(site: str) -> None:
    assert [str(one) for one in lint(load_catalogue(SITES / site)) if one.file == "v2.yaml"] == []


@every_site
@pytest.mark.parametrize("name", names())
def test_an_example_is_written_in_the_sites_way_and_reads_back(site: str, name: str) -> None:
    catalogue, exam = load_catalogue(SITES / site), example(name)
    settings = catalogue.v2
    data = unjudged_oru(exam, catalogue)
    (read,) = from_oru(data, catalogue)
    assert read.details == exam.details
    assert sorted(map(repr, read.findings)) == sorted(map(repr, exam.findings))
    mother = exam.newborn.mother
    if mother is not None and not settings.next_of_kin:
        # the mother's name stands in NK1 alone
        mother = mother.model_copy(update={"name": None})
    assert read.newborn == exam.newborn.model_copy(update={"mother": mother})
    end = b"\r\n" if settings.terminator == "CRLF" else b"\r"
    assert data.count(b"\r") == data.count(end)
    message = hl7.parse(data.decode(CHARSETS[settings.character_set]).replace("\r\n", "\r"))
    header = message.segment("MSH")
    assert str(header(11)) == settings.processing_id
    assert str(header(3)).split("^")[0] == settings.sending_application.namespace
    assert {str(segment(2)) for segment in message.segments("OBX")} <= {
        settings.coded_values, settings.text_values, "NM", "SN", "ST", "TS", ""
    }  # fmt: skip


def test_a_site_sends_its_own_codes_first() -> None:
    data = to_oru(example("d05-boy-weak-femorals-failed-screen"), load_catalogue(SITES / "kestrel-vale")).decode()
    assert "|NB-HR^Heart rate at the apex^99KVO^heart_rate^" in data
    assert "|FP2^Weak^99KVA^femoral_pulse.weak^" in data
    assert "|NBEXAM^Newborn examination^99KVO^shift^" in data
