"""The kept verdicts on the official examples of R4 and their mutants (``official.py``).

The examples are HL7's package ``hl7.fhir.r4.examples`` 4.0.1, which is no part of the project: whoever has it
unpacked under ``.cache/r4-examples`` has them compared by the marker ``reference``, without Java.
"""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest
from agreement import compare
from mutants import KINDS, mutant, places
from official import DIFFERENCES, POLICY, TABLE, digest, examples, kept, mutants, reasons, table
from sample_resources import blood_pressure, family, patient
from test_packages import archive
from test_slices import DEFINITIONS, PAIRS

from adapter.validate import Validator, load_packages
from tests.fetched import CACHE

FOLDER = CACHE / "r4-examples" / "package"


@pytest.fixture(scope="module")
def folder() -> Path:
    if not FOLDER.is_dir():
        pytest.skip(
            "the official examples are not here: hl7.fhir.r4.examples 4.0.1, unpacked into .cache/r4-examples"
        )
    return FOLDER


def test_a_name_is_a_mutant() -> None:
    """The same on every machine, since what was judged is told by name alone; and each kind of change is drawn."""
    drawn = set()
    for base in (blood_pressure(), family(), patient()):
        for number in range(100):
            kind, made = mutant(base, f"x~{number}")
            assert (kind, made) == mutant(base, f"x~{number}")
            assert made != base
            drawn.add(kind)
    assert drawn == set(KINDS)


def test_nothing_of_a_wrong_type_stops_a_profile(tmp_path: Path) -> None:
    """An object where a profile looks for a code, at every place: a problem in words, never an exception."""
    validator = Validator(packages=load_packages([archive(tmp_path / "guide.tgz", DEFINITIONS)]))
    for kept_resource, _, _ in PAIRS.values():
        for number, _ in enumerate(list(places(kept_resource))):
            made = copy.deepcopy(kept_resource)
            holder, key = list(places(made))[number]
            holder[key] = {"x": [1]}
            assert validator.validate(made).errors


def test_every_reason_says_who_is_right_and_the_table_is_of_what_was_judged() -> None:
    head, said = kept()
    assert f"Cases: {head['cases']}." in TABLE.read_text()
    assert len(said) > 5000
    for side in json.loads(DIFFERENCES.read_text()).values():
        assert all(one["right"] in ("we", "judge", "neither") and one["why"] for one in side)


@pytest.mark.reference
def test_every_difference_has_its_reason(folder: Path) -> None:
    head, said = kept()
    originals = examples(folder)
    cases = [*originals, *mutants(originals, {name for name in said if "~" not in name})]
    assert digest(cases) == head["digest"]
    backed = {name: [error for error in errors if not error[1].startswith(POLICY)] for name, errors in said.items()}
    agreement = compare(cases, [backed.get(case.name, []) for case in cases])
    counted, unexplained = reasons(agreement)
    assert unexplained == []
    assert TABLE.read_text() == table(agreement, counted, len(cases))
