"""The newborn, the mother, the examiners, the encounter and this software as FHIR resources."""

from __future__ import annotations

from adapter import SOFTWARE, __version__
from adapter.catalogue import Catalogue, Organisation
from adapter.catalogue.codings import codings
from adapter.exam import Exam, Examiner, Identifier, Mother, Newborn
from adapter.fhir.facts import with_facts
from adapter.fhir.identity import Identity, Refer, by_identifier
from adapter.fhir.json import Json
from adapter.fhir.observation import instant
from adapter.fhir.persons import logical

BIRTH_TIME = "http://hl7.org/fhir/StructureDefinition/patient-birthTime"
BIRTH_TOTAL = "http://hl7.org/fhir/StructureDefinition/patient-multipleBirthTotal"
ROLE_CODE = "http://terminology.hl7.org/CodeSystem/v3-RoleCode"
IDENTIFIER_TYPE = "http://terminology.hl7.org/CodeSystem/v2-0203"
ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
PHYSICAL_TYPE = "http://terminology.hl7.org/CodeSystem/location-physical-type"
_CLASSES = {"IMP": "inpatient encounter", "AMB": "ambulatory", "OBSENC": "observation encounter"}


def identifiers(given: tuple[Identifier, ...], catalogue: Catalogue) -> list[Json]:
    """Business identifiers with the site's short system names resolved."""
    return [_identifier(identifier, catalogue) for identifier in given]


def _identifier(given: Identifier, catalogue: Catalogue) -> Json:
    resolved = catalogue.resolve(given)
    kind = catalogue.kind_of(resolved.system)
    plain: Json = {"system": resolved.system, "value": resolved.value}
    if kind is None:
        return plain
    use: Json = {"use": kind.use} if kind.use else {}
    of: Json = {"type": {"coding": [{"system": IDENTIFIER_TYPE, "code": kind.type}]}} if kind.type else {}
    assigner: Json = {"assigner": {"display": kind.assigner}} if kind.assigner else {}
    return {**use, **of, **plain, **assigner}


def human_name(person: Newborn | Mother | Examiner, use: str | None = None) -> list[Json]:
    """The name as FHIR R4 HumanName (section 2.24.0.11): the line as text, and the parts that are known apart."""
    found: Json = {"text": person.name, "family": person.family}
    found["given"] = person.given.split(" ") if person.given else None
    found["prefix"] = person.prefix.split(" ") if person.prefix else None
    name = {key: value for key, value in found.items() if value is not None}
    return [{**({"use": use} if use else {}), **name}] if name else []


def patient(newborn: Newborn, catalogue: Catalogue, organisation: Json | None = None) -> Json:
    """The newborn (FHIR R4 Patient, section 8.1).

    The ward's name is ``use`` = ``temp`` unless the site says what it is; the birth date is the local one of the
    birth time, whose full form with offset stands in the standard extension ``patient-birthTime``.
    """
    resource: Json = {"resourceType": "Patient", "identifier": identifiers(newborn.identifiers, catalogue)}
    if name := human_name(newborn, catalogue.settings.name_use.newborn):
        resource["name"] = name
    resource["gender"] = newborn.sex.value
    resource["birthDate"] = newborn.birth_time.date().isoformat()
    birth_time = {"url": BIRTH_TIME, "valueDateTime": instant(newborn.birth_time)}
    resource["_birthDate"] = {"extension": [birth_time]}
    if newborn.birth_order is not None:
        resource["multipleBirthInteger"] = newborn.birth_order.order
        if newborn.birth_order.of is not None:
            total = {"url": BIRTH_TOTAL, "valuePositiveInt": newborn.birth_order.of}
            resource["_multipleBirthInteger"] = {"extension": [total]}
    if organisation is not None:
        resource["managingOrganization"] = organisation
    return with_facts(resource, newborn, catalogue)


def organisation(site: Organisation, catalogue: Catalogue) -> Json:
    """The site's own organisation (FHIR R4 Organization, section 8.6)."""
    identifier = identifiers((site.identifier,), catalogue)
    return {"resourceType": "Organization", "identifier": identifier, "active": True, "name": site.name}


def organisation_reference(identity: Identity, refer: Refer, catalogue: Catalogue) -> Json | None:
    """A reference to the site's own organisation, with its identifier and name, where there is one."""
    site = catalogue.settings.organisation
    if site is None:
        return None
    name = identity.organisation(site.identifier)
    return {**refer(name), **by_identifier(name), "display": site.name}


def mother(newborn: Newborn, identity: Identity, refer: Refer, catalogue: Catalogue) -> Json | None:
    """The mother as RelatedPerson of the newborn (FHIR R4, section 8.1.8), known by her own identifiers."""
    if newborn.mother is None:
        return None
    own = identity.mother().identifier
    role = {"system": ROLE_CODE, "code": "MTH", "display": "mother"}
    resource: Json = {
        "resourceType": "RelatedPerson",
        "identifier": [own, *identifiers(newborn.mother.identifiers, catalogue)],
        "active": True,
        "patient": refer(identity.patient()),
        "relationship": [{"coding": [role]}],
    }
    if name := human_name(newborn.mother, catalogue.settings.name_use.mother):
        resource["name"] = name
    return with_facts(resource, newborn.mother, catalogue)


def practitioner(examiner: Examiner, catalogue: Catalogue) -> Json | None:
    """An examiner who has an identifier; one known by name alone is only named in references."""
    if examiner.identifier is None:
        return None
    resource: Json = {
        "resourceType": "Practitioner",
        "identifier": identifiers((examiner.identifier,), catalogue),
    }
    if name := human_name(examiner, catalogue.settings.name_use.examiner):
        resource["name"] = name
    return with_facts(resource, examiner, catalogue)


def examiner_reference(examiner: Examiner, identity: Identity, refer: Refer) -> Json:
    """Who performed, as a reference with a display, or as a display alone."""
    reference = refer(identity.practitioner(examiner.identifier)) if examiner.identifier else {}
    return {**reference, "display": examiner.shown_name} if examiner.shown_name else reference


_PARTICIPATION: Json = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/v3-ParticipationType",
            "code": "PART",
            "display": "Participation",
        }
    ]
}
"""HL7 v3 ParticipationType, its least claim: who examined took part, and need not be in charge."""


def encounter(exam: Exam, identity: Identity, refer: Refer, catalogue: Catalogue) -> Json:
    """The Encounter: only named by its identifier where it is the ward's own, else one that is the exam itself."""
    details = exam.details
    code = catalogue.kinds[details.kind].encounter_class
    resource: Json = {
        "resourceType": "Encounter",
        "identifier": [identity.encounter(details.encounter).identifier],
        "status": "finished" if details.encounter is None else "in-progress",
        "class": {"system": ACT_CODE, "code": code, "display": _CLASSES.get(code, code)},
    }
    if types := catalogue.kinds[details.kind].encounter_type:
        resource["type"] = [{"coding": [codings(catalogue).coding(code)]} for code in types]
    resource["subject"] = refer(identity.patient())
    if details.encounter is None:
        own = catalogue.settings.emit.participants
        if own:
            resource["participant"] = [
                {"type": [_PARTICIPATION], "individual": examiner_reference(one, identity, refer)}
                for one in details.examiners
            ]
        resource["period"] = period(exam)
        if own and details.place is not None:
            resource["location"] = [_location(details.place, catalogue)]
    provider = organisation_reference(identity, refer, catalogue)
    if provider is not None:
        resource["serviceProvider"] = provider
    return resource


def _location(words: str, catalogue: Catalogue) -> Json:
    """Where the exam was made; by its number where it is one of the house's own. The newborn is still there then."""
    place = catalogue.settings.places.get(words)
    if place is None:
        return {"location": {"display": words}}
    [identifier] = identifiers((place.identifier,), catalogue)
    return {
        "location": {"identifier": identifier, "display": words},
        "status": "active",
        "physicalType": {"coding": [{"system": PHYSICAL_TYPE, "code": place.physical_type}]},
    }


def encounter_reference(exam: Exam, identity: Identity, refer: Refer, catalogue: Catalogue) -> Json:
    """A reference to the Encounter; the ward's own by its identifier alone where the site does not send it."""
    name = identity.encounter(exam.details.encounter)
    logical = exam.details.encounter is not None and not catalogue.settings.emit.ward_encounter
    return by_identifier(name) if logical else refer(name)


def device_reference(identity: Identity, refer: Refer, catalogue: Catalogue) -> Json:
    """A reference to this software; by its identifier, with its name, where the site does not send it."""
    if catalogue.settings.emit.device:
        return refer(identity.device())
    return logical(identity.device(), catalogue)


def period(exam: Exam) -> Json:
    """From start to end of the exam."""
    found = {"start": instant(exam.details.started)}
    if exam.details.ended is not None:
        found["end"] = instant(exam.details.ended)
    return found


def device(identity: Identity, catalogue: Catalogue) -> Json:
    """This software, its version and the version of the catalogue it used."""
    words = catalogue.words
    return {
        "resourceType": "Device",
        "identifier": [identity.device().identifier],
        "deviceName": [{"name": SOFTWARE, "type": "user-friendly-name"}],
        "version": [
            {"type": {"text": words.say("document.software")}, "value": __version__},
            {"type": {"text": words.say("document.catalogue")}, "value": catalogue.settings.version},
        ],
    }
