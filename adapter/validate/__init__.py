"""Validates any FHIR R4 resource, ours or not, in layers that can be run one by one.

``structure``: the R4 element table, references' form and targets. ``schema``: a JSON Schema and an XSD made from the
table, as second judge of it. ``invariants``: the constraints of the definitions. ``terminology``: check digits, code
systems, bindings, displays and UCUM. ``profiles``: the R4 vital signs, and the profiles of a site's packages.
``bundle``: what holds between the entries of a Bundle.

Everything found is a :class:`adapter.problems.Problem`; nothing is raised for bad input.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from adapter.fhir.release import is_of_r5
from adapter.problems import Layer, Problem, Severity
from adapter.validate.bindings import check_bindings
from adapter.validate.bundle import check_bundle
from adapter.validate.conformance import check_conformance
from adapter.validate.contents import check_contents
from adapter.validate.invariants import check_invariants
from adapter.validate.outcome import operation_outcome
from adapter.validate.packages import PackageError, Packages, check_codes, check_profiles, load_packages
from adapter.validate.reading import Loaded, read_resources
from adapter.validate.references import check_references
from adapter.validate.schema import check_json, check_xml
from adapter.validate.second_opinion import check_with_models
from adapter.validate.sound import Sound
from adapter.validate.structure import check_structure
from adapter.validate.terminology import check_terminology
from adapter.validate.uris import check_uris
from adapter.validate.vital_signs import check_vital_signs
from adapter.validate.walk import walk

__all__ = [
    "ALL",
    "Findings",
    "Loaded",
    "PackageError",
    "Packages",
    "Validator",
    "load_packages",
    "operation_outcome",
    "read_resources",
    "validate",
]

#: The layers that :func:`validate` has, in the order in which they run
ALL: tuple[Layer, ...] = (
    Layer.STRUCTURE,
    Layer.SCHEMA,
    Layer.INVARIANTS,
    Layer.TERMINOLOGY,
    Layer.PROFILES,
    Layer.BUNDLE,
)


class Findings(list[Problem]):
    """The problems of one resource: a list that can say how bad it is."""

    @property
    def errors(self) -> list[Problem]:
        """Those that must be mended."""
        return [problem for problem in self if problem.severity in (Severity.ERROR, Severity.FATAL)]

    @property
    def warnings(self) -> list[Problem]:
        """Those that should be looked at."""
        return [problem for problem in self if problem.severity is Severity.WARNING]

    @property
    def is_valid(self) -> bool:
        """Whether there is no error."""
        return not self.errors

    def operation_outcome(self) -> dict[str, Any]:
        """The same as an OperationOutcome."""
        return operation_outcome(self)


@dataclass(frozen=True, slots=True)
class Validator:
    """A choice of layers and packages, to validate many resources with.

    ``packages`` are a site's profiles (:func:`load_packages`), asked in the layer ``profiles``; ``second_opinion``
    asks the R4B models of fhir.resources as well, which takes several times as long.
    """

    layers: Collection[Layer] = ALL
    packages: Packages = field(default_factory=Packages)
    second_opinion: bool = False
    _sound: set[bytes] = field(default_factory=set, init=False, repr=False, compare=False)

    def validate(self, resource: Mapping[str, Any], *, file: str = "", line: int | None = None) -> Findings:
        """All problems of one resource, as :func:`validate` gives them."""
        in_document = isinstance(resource, Mapping) and resource.get("type") == "document"  # who refers counts there
        sound = Sound(self._sound, each=in_document)
        try:
            problems = _check(resource, self, sound)
            if sound.passed_over(problem.where for problem in problems):
                problems = _check(resource, self, Sound(self._sound, each=True))
        except RecursionError:
            what = "nested too deeply to be checked"
            problems = [Problem(Severity.FATAL, Layer.STRUCTURE, "too-deep", what, "a resource of usual depth")]
        if not problems:
            sound.learn()
        return Findings(replace(problem, file=file, line=line) for problem in problems)

    def check(self, loaded: Loaded) -> Findings:
        """All problems of a resource as it was read, each with its file, line and column.

        Those of reading come first. XML is held against the XSD too, where nothing else was wrong; and where it
        cannot be read, because reading stops at the first fault and the XSD tells of the others.
        """
        found = Findings(loaded.problems)
        if loaded.resource is not None:
            found += loaded.located(self.validate(loaded.resource))
        if Layer.SCHEMA in self.layers and loaded.is_xml and (loaded.resource is None or found.is_valid):
            told = {problem.line for problem in found}
            found += [problem for problem in loaded.located(check_xml(loaded.data)) if problem.line not in told]
        return found


def validate(
    resource: Mapping[str, Any],
    *,
    layers: Collection[Layer] = ALL,
    file: str = "",
    line: int | None = None,
    second_opinion: bool = False,
) -> Findings:
    """All problems of one resource (a Bundle with everything in it), in the order of the layers.

    ``resource`` has the JSON shape, as :func:`adapter.fhir.json.loads` or ``from_xml`` give it. ``file`` and
    ``line`` are put into each problem. ``second_opinion`` asks the R4B models of fhir.resources as well, which
    takes several times as long. Layers that are not in ``ALL`` are other stages' and are passed over here.
    """
    return Validator(layers, second_opinion=second_opinion).validate(resource, file=file, line=line)


def _check(resource: Mapping[str, Any], how: Validator, sound: Sound) -> list[Problem]:
    layers, packages = how.layers, how.packages
    if not isinstance(resource, Mapping):
        what = "a resource must be a JSON object"
        return [Problem(Severity.FATAL, Layer.STRUCTURE, "not-a-resource", what, "an object with resourceType")]
    nodes = walk(resource, sound)
    problems: list[Problem] = []
    if Layer.STRUCTURE in layers and is_of_r5(dict(resource)):
        what = "it is written as R5 has it, and is judged here by R4 (4.0.1)"
        remedy = "R4 (convert without --fhir R5), or a validator of R5"
        problems.append(Problem(Severity.WARNING, Layer.STRUCTURE, "other-release", what, remedy))
    if Layer.STRUCTURE in layers:
        problems += check_structure(resource, nodes)
        problems += check_references(nodes)
        problems += check_uris(nodes)
        if how.second_opinion:
            problems += list(check_with_models(resource, problems))
    if Layer.SCHEMA in layers:
        problems += list(check_json(resource, {node.type for node in nodes if node.resource is None}, problems))
    if Layer.INVARIANTS in layers:
        problems += check_invariants(nodes)
        problems += check_conformance(nodes)
        problems += check_contents(nodes)
    if Layer.TERMINOLOGY in layers:
        problems += check_terminology(nodes)
        problems += check_bindings(nodes, packages.code_systems)
    if Layer.PROFILES in layers:
        problems += check_vital_signs(nodes)
        problems += check_profiles(nodes, packages)
        problems += check_codes(nodes, packages)
    if Layer.BUNDLE in layers:
        problems += check_bundle(nodes)
    return problems
