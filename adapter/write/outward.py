"""The list of outward forms, and the one way to write an exam in any of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Protocol, cast

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Named
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.claims import lint_claims, unmet
from adapter.problems import AdapterError, Layer, Problem, Severity


class NotWritable(AdapterError, ValueError):
    """An exam that a form cannot hold whole; ``problems`` says what of it, and what would be right."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("; ".join(problem.what for problem in problems), problems)


class Writer(Protocol):
    """What the module of a form holds under the name ``write``."""

    def __call__(
        self,
        exam: Exam,
        catalogue: Catalogue,
        kind: str,
        encoding: str,
        *,
        pretty: bool = False,
        earlier: Sequence[Exam] = (),
    ) -> bytes:
        """The exam, whole; the same exam and catalogue give the same bytes."""


@dataclass(frozen=True, slots=True)
class Outward:
    """One outward form.

    ``encodings``: how it can be written, the usual one first; each is a file's suffix too. ``joined``: the encodings
    in which several exams may stand in one file, one after the other. ``module``: where its writer is; loaded when
    used, so that a heavy library costs only those who need it.
    """

    encodings: tuple[str, ...]
    joined: frozenset[str]
    module: str
    label: str


OUTWARD: dict[str, Outward] = {
    "transaction": Outward(("json", "xml"), frozenset({"json"}), "bundles", "a FHIR transaction"),
    "collection": Outward(("json", "xml"), frozenset({"json"}), "bundles", "a FHIR collection"),
    "batch": Outward(("json", "xml"), frozenset({"json"}), "bundles", "a FHIR batch"),
    # Headers and trailers of a file of several messages are optional (HL7 v2.5.1, section 2.10.3).
    "v2": Outward(("er7",), frozenset({"er7"}), "v2", "a message of HL7 v2.5.1, ORU^R01"),
    "v2-document": Outward(("er7",), frozenset({"er7"}), "v2", "its report in a message of HL7 v2.5.1, MDM^T02"),
    "document": Outward(("json", "xml"), frozenset({"json"}), "document", "a FHIR document"),
    "report": Outward(("html", "pdf"), frozenset(), "report", "a report for people"),
}

FHIR_FORMS = ("transaction", "collection", "batch", "document")
"""The forms that are FHIR."""


def allowed(catalogue: Catalogue) -> tuple[str, ...]:
    """The outward forms that the site may write: all, or those that its settings name."""
    named = catalogue.settings.formats
    return tuple(OUTWARD) if named is None else tuple(kind for kind in OUTWARD if kind in named)


def encodings_of(kind: str, catalogue: Catalogue) -> tuple[str, ...]:
    """How the site may write a form, the usual one first: R5 is not written as XML, since the order of elements that
    is known here is R4's. Raises ``KeyError`` for an unknown form."""
    every = OUTWARD[kind].encodings
    return tuple(one for one in every if one != "xml") if catalogue.settings.fhir == "R5" else every


def lint_forms(catalogue: Catalogue) -> list[Problem]:
    """Forms that the site's settings name and that are none, and elements that its profile claims name likewise."""
    remedy = f"one of {', '.join(OUTWARD)}"
    wrong = (f"'{name}' is no outward form" for name in catalogue.settings.formats or () if name not in OUTWARD)
    forms = [catalogue.fault(("settings", "formats"), "setting", what, remedy, where="formats") for what in wrong]
    return forms + lint_claims(catalogue)


def unmet_profiles(exam: Exam, catalogue: Catalogue, kind: str) -> list[Problem]:
    """What mandatory facts of a guide's profiles the resources of an exam lack, as warnings, each told once.

    Empty where the form ``kind`` is no FHIR, or no profile that the site claims demands any.
    """
    if kind not in FHIR_FORMS or not any(claim.demands for claim in catalogue.profiles.values()):
        return []
    resources = [entry["resource"] for entry in to_bundle(exam, catalogue, BundleType.COLLECTION)["entry"]]
    return list(dict.fromkeys(unmet(resources, catalogue)))


def left_out(exam: Exam, kind: str) -> list[Problem]:
    """What of a record a form has no place for, as warnings: further facts of persons in HL7 v2."""
    people: dict[str, Named | None] = {"newborn": exam.newborn, "mother": exam.newborn.mother}
    people |= {f"examiner {n}": one for n, one in enumerate(exam.details.examiners, start=1)}
    named = [who for who, person in people.items() if person is not None and person.facts]
    if kind != "v2" or not named:
        return []
    what = f"facts of the {', '.join(named)} are left out: HL7 v2 has no place for them"
    return [Problem(Severity.WARNING, Layer.CAPTURE, "left-out", what, "a FHIR form carries them", where="facts")]


def write(
    exam: Exam,
    catalogue: Catalogue,
    kind: str,
    encoding: str | None = None,
    *,
    pretty: bool = False,
    earlier: Sequence[Exam] = (),
) -> bytes:
    """An exam in an outward form, a key of :data:`OUTWARD`.

    ``earlier``: exams among which those of the same newborn before this one are judged with it. Raises ``KeyError``
    for an unknown form, ``ValueError`` for one that the site does not write or an encoding that the form does not
    have, and :class:`NotWritable`.
    """
    outward = OUTWARD[kind]
    if kind not in allowed(catalogue):
        raise ValueError(f"this site does not write {kind}; its settings allow {', '.join(allowed(catalogue))}")
    encodings = encodings_of(kind, catalogue)
    chosen = encoding or encodings[0]
    if chosen not in encodings:
        raise ValueError(f"{kind} is written as {' or '.join(encodings)}, not as {chosen}")
    writer = cast(Writer, import_module(f"adapter.write.{outward.module}").write)
    return writer(exam, catalogue, kind, chosen, pretty=pretty, earlier=earlier)
