"""What the options offer is what the library has; it is written out so that ``--help`` loads nothing."""

from __future__ import annotations

import subprocess
import sys

import pytest

from adapter.cli import convert, extract, validate
from adapter.run.extract_forms import FORMS
from adapter.validate import ALL
from adapter.write import OUTWARD
from adapter.write.deidentify import shipped_policies
from adapter.write.tables import TABLES, files


def test_convert_offers_every_outward_form() -> None:
    assert tuple(OUTWARD) == convert.KINDS
    assert set(convert.ENCODINGS) == {encoding for outward in OUTWARD.values() for encoding in outward.encodings}


def test_extract_offers_every_form_table_and_policy() -> None:
    assert tuple(FORMS) == extract.FORMS
    assert tuple(TABLES) == extract.TABLES
    assert set(files.FORMS) == set(extract.ENCODINGS)
    assert set(shipped_policies()) == set(extract.POLICIES)


def test_validate_offers_every_layer() -> None:
    assert validate.LAYERS == ALL


@pytest.mark.parametrize("command", ["convert", "extract", "validate"])
def test_help_loads_nothing_of_the_library(command: str) -> None:
    code = (
        "import sys; from adapter.cli import cli\n"
        f"try: cli(['{command}', '--help'])\n"
        "except SystemExit: pass\n"
        "rooms = {name.split('.')[1] for name in sys.modules if name.startswith('adapter.')}\n"
        "print(sorted(rooms - {'cli', 'errors', 'problems'}), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Example:" in done.stdout
    assert done.stderr.strip() == "[]"
