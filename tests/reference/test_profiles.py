"""A package of profiles before both judges: ours, and the standard's engine, which makes the snapshots itself."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest
from judge import judge
from test_packages import BROKEN, DEFINITIONS, Resource, changed, look, newborn, note

from adapter.fhir.json import dumps
from adapter.validate import Validator, load_packages

#: rule and place of what the engine lets pass, and why we do not
OURS_ALONE = {
    ("profile-target", "Patient.generalPractitioner[0].reference"): "the engine asks only targets that it can fetch",
    ("profile-target", "Observation.subject.reference"): "the engine asks only targets that it can fetch",
    (
        "profile-cardinality",
        "Observation.component",
    ): "profiling.html#discriminator, exists: min 1 of the slice whose "
    "element is prohibited; the engine does not count it",
}


@pytest.mark.reference
@pytest.mark.usefixtures("engine")
def test_the_engine_agrees_on_a_package(tmp_path: Path) -> None:
    files = []
    for number, definition in enumerate(copy.deepcopy(DEFINITIONS)):
        for element in definition.get("differential", {}).get("element", ()):
            element["constraint"] = [c for c in element.get("constraint", ()) if c["key"] != "nb-3"]  # no FHIRPath
            if not element["constraint"]:
                del element["constraint"]
        files.append(tmp_path / f"{number}.json")
        files[-1].write_bytes(dumps(definition))
    validator = Validator(packages=load_packages([tmp_path]))
    cases: list[tuple[tuple[str, str], Resource]] = [(("", ""), made) for made in (newborn(), look(), note())]
    cases += [((rule, where), changed(made, path, value)) for made, path, value, rule, where in BROKEN]
    messages = judge([dumps(resource) for _, resource in cases], files)
    for number, (name, resource) in enumerate(cases):
        theirs = [m.text for m in messages if m.number == number and m.is_error]
        ours = [(p.rule, p.where) for p in validator.validate(resource).errors]
        if name in OURS_ALONE:
            assert ours
            assert not theirs
        else:
            assert bool(ours) == bool(theirs), (name, ours, theirs)
