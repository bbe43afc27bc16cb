"""Validates any FHIR R4 resource, ours or not, in layers that can be run one by one.

``structure``: the R4 element table, references' form and targets, and the R4B models of fhir.resources as a
second opinion. ``invariants``: the constraints of the definitions. ``terminology``: check digits and UCUM.
``profiles``: the R4 vital signs. ``bundle``: what holds between the entries of a Bundle.

Everything found is a :class:`adapter.problems.Problem`; nothing is raised for bad input.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

from adapter.problems import Layer, Problem, Severity
from adapter.validate.bundle import check_bundle
from adapter.validate.invariants import check_invariants
from adapter.validate.outcome import operation_outcome
from adapter.validate.reading import Loaded, read_resources
from adapter.validate.references import check_references
from adapter.validate.second_opinion import check_with_models
from adapter.validate.structure import check_structure
from adapter.validate.terminology import check_terminology
from adapter.validate.vital_signs import check_vital_signs
from adapter.validate.walk import walk

__all__ = ["ALL", "Loaded", "operation_outcome", "read_resources", "validate"]

#: The layers that :func:`validate` has, in the order in which they run
ALL: tuple[Layer, ...] = (
    Layer.STRUCTURE,
    Layer.INVARIANTS,
    Layer.TERMINOLOGY,
    Layer.PROFILES,
    Layer.BUNDLE,
)


def validate(
    resource: Mapping[str, Any],
    *,
    layers: Collection[Layer] = ALL,
    file: str = "",
    line: int | None = None,
    second_opinion: bool = True,
) -> list[Problem]:
    """All problems of one resource (a Bundle with everything in it), in the order of the layers.

    ``resource`` has the JSON shape, as :func:`adapter.fhir.json.loads` or ``from_xml`` give it. ``file`` and
    ``line`` are put into each problem. ``second_opinion`` off leaves the models of fhir.resources out, which
    take most of the time. Layers that are not in ``ALL`` are other stages' and are passed over here.
    """
    try:
        problems = _check(resource, layers, second_opinion)
    except RecursionError:
        what = "nested too deeply to be checked"
        problems = [Problem(Severity.FATAL, Layer.STRUCTURE, "too-deep", what, "a resource of usual depth")]
    return [replace(problem, file=file, line=line) for problem in problems]


def _check(resource: Mapping[str, Any], layers: Collection[Layer], second_opinion: bool) -> list[Problem]:
    if not isinstance(resource, Mapping):
        what = "a resource must be a JSON object"
        return [Problem(Severity.FATAL, Layer.STRUCTURE, "not-a-resource", what, "an object with resourceType")]
    nodes = walk(resource)
    problems: list[Problem] = []
    if Layer.STRUCTURE in layers:
        problems += check_structure(resource)
        problems += check_references(nodes)
        if second_opinion:
            problems += list(check_with_models(resource, problems))
    if Layer.INVARIANTS in layers:
        problems += check_invariants(nodes)
    if Layer.TERMINOLOGY in layers:
        problems += check_terminology(nodes)
    if Layer.PROFILES in layers:
        problems += check_vital_signs(nodes)
    if Layer.BUNDLE in layers:
        problems += check_bundle(nodes)
    return problems
