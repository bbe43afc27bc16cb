"""Names of what the package defines: ids, canonical URLs, versions."""

from __future__ import annotations

import re

from adapter.catalogue import Catalogue
from adapter.fhir.json import Json

_NOT_ID = re.compile(r"[^A-Za-z0-9\-.]")
_VERSION = re.compile(r"(\d+)\.(\d+)(?:\.(\d+))?(.*)")


def fhir_id(name: str) -> str:
    """A name as a FHIR id: letters, digits, hyphens and points, at most 64 (R4 datatypes, id)."""
    return _NOT_ID.sub("-", name)[:64]


def computable(name: str) -> str:
    """A name as generated code may use it: an upper-case letter, then letters and digits (R4 constraint cnl-0)."""
    return "".join(part[:1].upper() + part[1:] for part in re.split(r"[^A-Za-z0-9]+", name))


def package_version(catalogue: Catalogue) -> str:
    """The catalogue's version in three numbers, as npm wants it (Semantic Versioning 2.0.0)."""
    found = _VERSION.fullmatch(catalogue.settings.version)
    assert found is not None, "the settings' pattern holds"
    return f"{int(found[1])}.{int(found[2])}.{int(found[3] or 0)}{found[4]}"


def conformance(kind: str, name: str, title: str, description: str, catalogue: Catalogue) -> Json:
    """The head that all conformance resources share.

    ``draft`` and ``experimental`` as long as no clinician and no terminologist of the site has signed it.
    """
    settings = catalogue.settings
    head: Json = {
        "resourceType": kind,
        "id": fhir_id(name),
        "language": catalogue.language,
        "url": f"{settings.canonical}/{kind}/{fhir_id(name)}",
        "version": package_version(catalogue),
        "name": computable(name),
        "title": title,
        "status": settings.publication.status,
        "experimental": settings.publication.status == "draft",
        "date": settings.policy.date,
        "publisher": publisher(catalogue),
        "description": description,
    }
    if kind == "NamingSystem":
        for key in ("url", "version", "title", "experimental"):
            head.pop(key)
    return head


def publisher(catalogue: Catalogue) -> str:
    """Who stands for the package: as the site says, else its organisation, else the project."""
    settings = catalogue.settings
    organisation = settings.organisation.name if settings.organisation else "newborn-exam-adapter"
    return settings.publication.publisher or organisation


def url(kind: str, name: str, catalogue: Catalogue) -> str:
    """The canonical URL of one of our definitions."""
    return f"{catalogue.settings.canonical}/{kind}/{fhir_id(name)}"
