"""The newborns that a hospital's server has: for a list to begin an exam from. Nothing is written, nothing kept.

FHIR R4 search (3.1.0.9): Patient by ``birthdate``, Encounter by ``location`` and ``status``, RelatedPerson,
Observation and DiagnosticReport by ``patient``. What is read of a newborn is context for who is examined; none of it
is a finding.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from adapter.catalogue import Catalogue
from adapter.catalogue.codings import codings
from adapter.fhir import search_token
from adapter.fhir.json import Json
from adapter.fhir.people import BIRTH_TIME, BIRTH_TOTAL, ROLE_CODE
from adapter.problems import AdapterError, ExitCode
from adapter.send.rest import answers
from adapter.send.rest.client import FhirClient
from adapter.send.rest.newborn import subject_id

_OPEN = "arrived,triaged,in-progress,onleave"
_MOTHERS = {(ROLE_CODE, "MTH"), (ROLE_CODE, "NMTH"), (ROLE_CODE, "GESTM")}
_AT_ONCE = 20
MOST = 500
"""So many newborns at most; a site with more asks by location."""


class NoSuchWard(AdapterError):
    """The server does not know the location, or has too many newborns to list; says what would be right."""

    exit_code = ExitCode.SERVER


@dataclass(frozen=True, slots=True)
class Listed:
    """One newborn: ``newborn`` and ``encounter`` as a capture record writes them, as far as the server knows;
    ``birth_date`` where the time of birth is not known; ``birth_weight`` in words; ``exams`` there so far, each with
    ``kind`` and ``started``."""

    newborn: Json
    encounter: Json | None
    birth_date: str
    birth_weight: str
    exams: tuple[Json, ...]


@dataclass(frozen=True, slots=True)
class WardList:
    """The newborns, the youngest first, as the server had them at ``time``; of ``without_number`` more it has no
    identifier to know them by."""

    time: str
    newborns: tuple[Listed, ...]
    without_number: int

    def as_json(self) -> Json:
        """As the page reads it."""
        return asdict(self)


def ward_list(
    client: FhirClient,
    catalogue: Catalogue,
    *,
    born_within: int = 5,
    location: str = "",
    now: datetime | None = None,
) -> WardList:
    """The newborns born within so many days; of one ``location`` (an id, ``Location/ID`` or ``system|value``) those
    with an open Encounter there. Who died, and records replaced by others or no longer in use, are left out.

    Raises :class:`NoSuchWard` and what the client raises.
    """
    moment = now or datetime.now(UTC)
    there = _patients_at(client, location) if location else None
    # a day more, since a date of birth has no offset
    since = (moment - timedelta(days=born_within + 1)).date().isoformat()
    found = client.search("Patient", {"birthdate": f"ge{since}", "_count": "200"})
    patients: dict[str, Json] = {}
    for one in found:
        if _is_here(one, moment - timedelta(days=born_within)) and (there is None or one.get("id") in there):
            patients[str(one["id"])] = one
        if len(patients) > MOST:
            raise NoSuchWard(f"more than {MOST} newborns: fewer days (--born-within), or one --location")
    numbered = {id_: one for id_, one in patients.items() if _identifiers(one, catalogue)}
    about = _about(client, catalogue, list(numbered))
    listed = [_listed(one, about.get(id_, []), catalogue) for id_, one in numbered.items()]
    listed.sort(key=lambda one: (one.birth_date, str(one.newborn.get("birth_time"))), reverse=True)
    return WardList(moment.isoformat(timespec="seconds"), tuple(listed), len(patients) - len(numbered))


def _patients_at(client: FhirClient, location: str) -> set[str]:
    """The ids of those who have an open Encounter at a location."""
    place = location.removeprefix("Location/")
    if "|" in place:
        system, _, value = place.partition("|")
        known = next(client.search("Location", {"identifier": search_token(system, value)}), None)
        if known is None:
            raise NoSuchWard("the server knows no location of this identifier")
        place = str(known["id"])
    asked = {"location": f"Location/{place}", "status": _OPEN, "_count": "200"}
    # A server that does not know a search parameter may ignore it: what it answers is looked at again.
    return {
        subject_id(one, "subject")
        for one in client.search("Encounter", asked)
        if any(subject_id(at, "location") == place for at in answers.objects(one.get("location")))
    }


def _is_here(patient: Json, since: datetime) -> bool:
    """Whether it is a record in use, of a living newborn that was born since then."""
    gone = patient.get("active") is False or patient.get("deceasedBoolean") is True or "deceasedDateTime" in patient
    replaced = any(link.get("type") == "replaced-by" for link in answers.objects(patient.get("link")))
    born = _birth_time(patient)
    try:
        moment = datetime.fromisoformat(born) if born else None
    except ValueError:
        moment = None
    date = answers.text(patient, "birthDate")
    young = date >= since.date().isoformat() if moment is None or moment.tzinfo is None else moment >= since
    return not (gone or replaced) and young and bool(patient.get("id"))


def _about(client: FhirClient, catalogue: Catalogue, ids: Sequence[str]) -> dict[str, list[Json]]:
    """Mothers, open Encounters, birth weight, gestation and our reports, by the newborn's id."""
    wanted = ("gestational_age_at_birth", "birth_weight")
    codes = [search_token(one["system"], one["code"]) for name in wanted for one in _codings(catalogue, name)]
    found: dict[str, list[Json]] = {}
    for first in range(0, len(ids), _AT_ONCE):
        some = {"patient": ",".join(f"Patient/{id_}" for id_ in ids[first : first + _AT_ONCE]), "_count": "200"}
        for kind, asked in (
            ("RelatedPerson", some),
            ("Encounter", {**some, "status": _OPEN}),
            ("Observation", {**some, "code": ",".join(codes)}),
            ("DiagnosticReport", {**some, "identifier": f"{search_token(catalogue.identifier_system('exam'), '')}"}),
        ):
            for one in client.search(kind, asked):
                of = subject_id(one, "patient" if kind == "RelatedPerson" else "subject")
                found.setdefault(of, []).append(one)
    return found


def _listed(patient: Json, about: Sequence[Json], catalogue: Catalogue) -> Listed:
    def of(kind: str) -> list[Json]:
        usable = [one for one in about if one["resourceType"] == kind and one.get("status") != "entered-in-error"]
        return sorted(usable, key=lambda one: answers.text(one, "effectiveDateTime"), reverse=True)

    newborn: Json = {"identifiers": _identifiers(patient, catalogue), "name": _name(patient)}
    newborn |= {"sex": answers.text(patient, "gender"), "birth_time": _birth_time(patient)}
    newborn |= {"birth_order": _birth_order(patient)}
    newborn |= {"gestation": _gestation(of("Observation"), catalogue)}
    newborn |= {"mother": _mother(of("RelatedPerson"), newborn["identifiers"], catalogue)}
    encounters = [_identifiers(one, catalogue) for one in of("Encounter") if one.get("identifier")]
    return Listed(
        {key: value for key, value in newborn.items() if value},
        encounters[0][0] if len(encounters) == 1 and encounters[0] else None,  # of several nobody can tell
        answers.text(patient, "birthDate"),
        _birth_weight(of("Observation"), catalogue),
        tuple(_exams(of("DiagnosticReport"), catalogue)),
    )


def _birth_order(patient: Json) -> Json | None:
    order = patient.get("multipleBirthInteger")
    total = _extension(patient.get("_multipleBirthInteger"), BIRTH_TOTAL, "valuePositiveInt")
    if not isinstance(order, int) or not 1 <= order <= 9:
        return None
    return {"order": order, **({"of": total} if isinstance(total, int) and max(2, order) <= total <= 9 else {})}


def _mother(related: Iterable[Json], own: list[Json], catalogue: Catalogue) -> Json | None:
    """The one RelatedPerson who is the mother and has a number of her own; none where several could be meant."""
    ours = catalogue.identifier_system("related-person")
    found = []
    for one in related:
        codes = (
            coding
            for concept in answers.objects(one.get("relationship"))
            for coding in answers.objects(concept.get("coding"))
        )
        numbers = [i for i in _identifiers(one, catalogue) if i["system"] != ours and i not in own]
        if numbers and any((code.get("system"), code.get("code")) in _MOTHERS for code in codes):
            found.append({"identifiers": numbers, **({"name": name} if (name := _name(one)) else {})})
    return found[0] if len(found) == 1 else None


def _gestation(observations: Iterable[Json], catalogue: Catalogue) -> Json | None:
    """Completed weeks, and days where the server has days: ``39.4`` weeks is written for 39+4 and for 39 2/5."""
    for one in _of_item(observations, "gestational_age_at_birth", catalogue):
        quantity = answers.object_(one.get("valueQuantity"))
        value, code = quantity.get("value"), quantity.get("code")
        if not isinstance(value, (int, Decimal)) or code not in ("d", "wk"):
            continue
        weeks, days = divmod(int(value), 7) if code == "d" else (int(value), None)
        if 20 <= weeks <= 45:
            return {"weeks": weeks, **({} if days is None else {"days": days})}
    return None


def _birth_weight(observations: Iterable[Json], catalogue: Catalogue) -> str:
    for one in _of_item(observations, "birth_weight", catalogue):
        quantity = answers.object_(one.get("valueQuantity"))
        if quantity.get("code") in ("g", "kg") and quantity.get("value") is not None:
            return f"{quantity['value']} {quantity['code']}"
    return ""


def _exams(reports: Iterable[Json], catalogue: Catalogue) -> Iterator[Json]:
    for one in reports:
        period = answers.object_(one.get("effectivePeriod"))
        for coding in answers.objects(answers.object_(one.get("code")).get("coding")):
            if coding.get("system") == catalogue.uri("kind"):
                yield {
                    "kind": answers.text(coding, "code"),
                    "started": answers.text(one, "effectiveDateTime") or answers.text(period, "start"),
                }


def _of_item(observations: Iterable[Json], item: str, catalogue: Catalogue) -> Iterator[Json]:
    asked = {(one["system"], one["code"]) for one in _codings(catalogue, item)}
    for one in observations:
        coded = answers.objects(answers.object_(one.get("code")).get("coding"))
        if any((code.get("system"), code.get("code")) in asked for code in coded):
            yield one


def _codings(catalogue: Catalogue, item: str) -> list[Mapping[str, str]]:
    if item not in catalogue.items:
        return []
    made = codings(catalogue)
    return [*made.published(catalogue.items[item].codes), made.own("item", item, item)]


def _identifiers(resource: Json, catalogue: Catalogue) -> list[Json]:
    """Each system by the site's short name where it has one."""
    names = {uri: name for name, uri in catalogue.settings.identifier_systems.items()}
    return [
        {"system": names.get(system, system), "value": value}
        for one in answers.objects(resource.get("identifier"))
        if (system := answers.text(one, "system")) and (value := answers.text(one, "value"))
        if one.get("use") != "old"
    ]


def _name(person: Json) -> str:
    for one in answers.objects(person.get("name")):
        given = " ".join(str(part) for part in one.get("given") or [])
        if name := answers.text(one, "text") or " ".join(filter(None, (given, answers.text(one, "family")))):
            return name
    return ""


def _birth_time(patient: Json) -> str:
    return str(_extension(patient.get("_birthDate"), BIRTH_TIME, "valueDateTime") or "")


def _extension(element: Any, url: str, value: str) -> Any:
    found = answers.objects(answers.object_(element).get("extension"))
    return next((one.get(value) for one in found if one.get("url") == url), None)


__all__ = ["MOST", "Listed", "NoSuchWard", "WardList", "ward_list"]
