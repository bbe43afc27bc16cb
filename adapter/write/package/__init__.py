"""The terminology and the profiles of a catalogue as an npm-style FHIR package (``newborn-adapter package``)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import Json
from adapter.forms import to_questionnaire
from adapter.write.package.archive import archived, files_of
from adapter.write.package.codesystems import code_systems
from adapter.write.package.conceptmaps import concept_maps
from adapter.write.package.extensions import extension_definitions
from adapter.write.package.names import fhir_id
from adapter.write.package.profiles import profile_definitions
from adapter.write.package.publication import published
from adapter.write.package.systems import capability_statement, naming_systems
from adapter.write.package.valuesets import value_sets

__all__ = ["archived", "definitions", "package_files"]


def definitions(catalogue: Catalogue) -> list[Json]:
    """Every resource that the package defines."""
    made = [
        *code_systems(catalogue),
        *value_sets(catalogue),
        *concept_maps(catalogue),
        *extension_definitions(catalogue),
        *profile_definitions(catalogue),
        *(to_questionnaire(catalogue, kind) for kind in catalogue.kinds),
        capability_statement(catalogue),
        *naming_systems(catalogue),
    ]
    return [published(resource, catalogue) for resource in made]


def package_files(catalogue: Catalogue, exams: Iterable[Exam] = ()) -> dict[str, bytes]:
    """The files of the package by name; the exams become its examples, and claim the package's profiles.

    The same catalogue and exams give the same bytes. :func:`archived` makes a ``.tgz`` of them.
    """
    claiming = replace(catalogue, settings=catalogue.settings.model_copy(update={"own_profiles": True}))
    examples = [_named(to_bundle(exam, claiming, BundleType.COLLECTION), exam) for exam in exams]
    return files_of(definitions(catalogue), examples, catalogue)


def _named(bundle: Json, exam: Exam) -> Json:
    """Each version of an exam is an example of its own."""
    return {**bundle, "id": fhir_id(exam.details.id)}
