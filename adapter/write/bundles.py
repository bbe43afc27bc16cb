"""The FHIR bundles as an outward form: JSON (one a line, or indented) and XML."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_json
from adapter.fhir import to_bundle as bare
from adapter.fhir.json import Json, dumps
from adapter.fhir.release import to_release
from adapter.write.attached import presented_form


def write(
    exam: Exam,
    catalogue: Catalogue,
    kind: str,
    encoding: str,
    *,
    pretty: bool = False,
    earlier: Sequence[Exam] = (),
) -> bytes:
    """The bundle of an exam; ``kind`` is a :class:`adapter.fhir.BundleType`, judged with those of
    ``earlier`` that are earlier exams of this newborn."""
    release = catalogue.settings.fhir
    if encoding != "xml" and not pretty and release != "R5":
        presented = presented_form(exam, catalogue, earlier)
        return to_json(exam, catalogue, BundleType(kind), earlier=earlier, presented=presented) + b"\n"
    bundle = to_release(to_bundle(exam, catalogue, BundleType(kind), earlier=earlier), release)
    if encoding != "xml":
        return dumps(bundle, pretty=pretty) + b"\n"
    from adapter.fhir.xml import to_xml  # here: lxml comes with it

    return to_xml(bundle, pretty=pretty)


def to_bundle(
    exam: Exam,
    catalogue: Catalogue,
    kind: BundleType = BundleType.TRANSACTION,
    *,
    earlier: Sequence[Exam] = (),
) -> Json:
    """:func:`adapter.fhir.to_bundle` with what the site's settings ask for besides: the report attached."""
    return bare(exam, catalogue, kind, earlier=earlier, presented=presented_form(exam, catalogue, earlier))
