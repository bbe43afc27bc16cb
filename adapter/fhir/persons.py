"""Who stands on the receiving server already: referred to, and not written.

What a site or a target calls *known* is referred to by a conditional reference (FHIR R4 http.html 3.1.0.11.2:
criteria that must find one resource, else the transaction fails), in a batch by a logical one, as such references are
for transactions alone; what it leaves to an *identifier* by a logical one (references.html, Reference.identifier).
"""

from __future__ import annotations

from adapter import SOFTWARE, __version__
from adapter.catalogue import Catalogue
from adapter.catalogue.settings import Persons, Presence
from adapter.exam import Exam
from adapter.fhir.identity import Name, Refer, by_identifier, in_url
from adapter.fhir.json import Json

_SETTING = {
    "Patient": "newborn",
    "RelatedPerson": "mother",
    "Practitioner": "examiners",
    "Encounter": "encounter",
    "Organization": "organisation",
    "Device": "device",
}
MADE = Persons()
"""Everybody is written where they are not there."""


def presence(resource_type: str, persons: Persons, wards_own: bool) -> Presence:
    """Whether a resource of an exam is made, known or left to its identifier. What is the exam's own is made: so is
    an Encounter that is not the ward's (``wards_own``)."""
    setting = _SETTING.get(resource_type)
    if setting is None or (setting == "encounter" and not wards_own):
        return "made"
    found: Presence | None = getattr(persons, setting)
    return found or "made"


def referring(refer: Refer, exam: Exam, catalogue: Catalogue, persons: Persons, *, conditional: bool) -> Refer:
    """``refer``, but for whom a bundle does not hold; ``conditional``: the bundle may have such references."""
    if persons == MADE:
        return refer

    def found(name: Name) -> Json:
        what = presence(name.resource_type, persons, exam.details.encounter is not None)
        if what == "made":
            return refer(name)
        if what == "identifier" or not conditional:
            return logical(name, catalogue)
        return known_at(f"{name.resource_type}?identifier={_criteria(name, exam, catalogue)}", name)

    return found


def known_at(where: str, name: Name) -> Json:
    """A reference to somebody known, found ``where`` (``Type/id``, or by criteria), with the identifier that the
    record has; to the newborn plain, as everywhere."""
    return {"reference": where, **(by_identifier(name) if name.resource_type != "Patient" else {})}


def logical(name: Name, catalogue: Catalogue) -> Json:
    """A reference by identifier alone, with the name of what nobody else would know: this software."""
    shown = {"display": device_in_words(catalogue)} if name.resource_type == "Device" else {}
    return {**by_identifier(name), **shown}


def logical_of(person: Json) -> Json:
    """:func:`logical`, from the resource as it would be made."""
    kind, identifier = person["resourceType"], person["identifier"][0]
    plain = {"type": kind, "identifier": {"system": identifier["system"], "value": identifier["value"]}}
    if kind != "Device":
        return plain
    software, catalogue = (version["value"] for version in person["version"])
    return {**plain, "display": _in_words(software, catalogue)}


def device_in_words(catalogue: Catalogue) -> str:
    """This software and its catalogue, by name and version."""
    return _in_words(__version__, catalogue.settings.version)


def _in_words(software: str, catalogue: str) -> str:
    return f"{SOFTWARE} {software}, catalogue {catalogue}"


def _criteria(name: Name, exam: Exam, catalogue: Catalogue) -> str:
    """An identifier as a search parameter; of the newborn all, of which any may be the one that is known there."""
    tokens = [(name.system, name.value)]
    if name.resource_type == "Patient":
        resolved = (catalogue.resolve(one) for one in exam.newborn.identifiers)
        tokens = [(one.system, one.value) for one in resolved]
    return ",".join(f"{in_url(system)}%7C{in_url(value)}" for system, value in tokens)
