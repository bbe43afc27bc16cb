"""Is the Patient on the server this newborn? Looked up by every identifier and compared before anything is written.

FHIR R4 Patient (8.1): ``gender``, ``birthDate`` with the extension ``patient-birthTime``, ``multipleBirth[x]``,
``active``, ``deceased[x]``, ``link`` of type ``replaced-by`` ("the other patient resource must be used in lieu").
Newborns are mixed up more than other patients (The Joint Commission, R3 Report 17): one number alone proves nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from adapter.catalogue.settings import Persons
from adapter.fhir.json import Json
from adapter.fhir.people import BIRTH_TIME, ROLE_CODE
from adapter.fhir.persons import MADE
from adapter.problems import Problem
from adapter.send.failures import Held, problem
from adapter.send.rest import answers
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.asking import Asking, Question, Token, tokens_of
from adapter.send.rest.client import FhirClient
from adapter.send.rest.transaction import Transaction

RULE = "not-this-newborn"
_MOST_LINKS = 5
_ASK = "the right newborn's identifiers, or the hospital's record put right by whoever keeps it; a person decides"

_EXCHANGED = "the newborn's and the mother's identifiers, each in its place; a person decides"
_FAMILY = ("Patient", "RelatedPerson")
_MOTHERS = frozenset({"MTH", "NMTH", "GESTM", "ADOPTM", "STPMTH", "MTHFOST", "NMTHF"})
"""Of HL7 v3 RoleCode: a mother, natural, gestational, adoptive, step and foster, and of a fetus."""

_ANEW = (
    "if it was recorded on the wrong newborn: newborn-adapter reassign, which takes it back there and records it"
    " anew, under an id of its own, on the right one"
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of the newborn's record: that it is there before (``made`` False), and how many facts beside the
    number must agree; ``persons`` is what the target says of all whom an exam names."""

    made: bool = True
    facts: int = 2
    persons: Persons = MADE

    def over(self, site: Persons) -> Wanted:
        """The same with what the site says where the target says nothing."""
        persons = self.persons.over(site)
        says = site.newborn is not None and self.persons.newborn is None
        return replace(self, made=site.newborn == "made" if says else self.made, persons=persons)


USUAL = Wanted()


@dataclass(frozen=True, slots=True)
class Known:
    """The newborn on the server: ``patient``, None where it is to be made; ``replaced`` are the ids of records that
    were merged into it; ``as_queued``: the criteria that are queued lead there; ``remarks`` are to be said."""

    patient: Json | None = None
    replaced: tuple[str, ...] = ()
    as_queued: bool = True
    remarks: tuple[str, ...] = field(default=())

    @property
    def ids(self) -> tuple[str, ...]:
        """Under which the newborn's resources may stand."""
        return () if self.patient is None else (self.patient["id"], *self.replaced)


def newborn_there(
    client: FhirClient, transaction: Transaction, reports: Sequence[Json], wanted: Wanted, asking: Asking
) -> Known:
    """The newborn of an exam on the server; ``reports`` are those of the exam that are there.

    Raises :class:`~adapter.send.failures.Held` where it is another one, or nobody can tell; and what the client
    raises. A retraction of what stands in this newborn's record is let through though facts differ: it takes
    findings of another newborn away.
    """
    resources = transaction.resources()
    meant = next(one for one in resources if one["resourceType"] == "Patient")
    ours = tokens_of(meant)
    found = asking.of(*newborn_question(resources))
    carrying = [one for one in found if ours & tokens_of(one)]
    if transaction.rank < 2 or not reports:
        _check_mother(meant, [one for one in found if one not in carrying])
    if reports and not carrying:
        carrying = _of_reports(client, reports, ours)
    started = _started(resources)
    holders = [one for one in carrying if _holds(one, ours, started)]
    known = _survivor(client, holders or carrying)
    if known.patient is None:
        if not wanted.made:
            remedy = (
                "the identifiers as the hospital has them; or newborns: made in the target file (--newborns made)"
            )
            raise _held("the server knows no newborn of these identifiers, and none is made", remedy)
        _check_no_mother(asking, meant)
        _check_encounter(asking, transaction, known)
        return known
    known = _same_exam(client, known, reports)
    if transaction.rank < 2 or not reports:
        # A number that is a record's no more may be another newborn's by now: one fact more must agree.
        _compare(meant, known.patient or {}, started, wanted.facts + (not holders and not reports))
    if _is_dead(known.patient or {}):
        known = replace(known, remarks=(*known.remarks, "the server has this newborn as deceased"))
    first = meant["identifier"][0]
    as_queued = (
        len(carrying) == 1
        and not known.replaced
        and (first["system"], first["value"]) in tokens_of(known.patient or {})
    )
    known = replace(known, as_queued=as_queued)
    _check_encounter(asking, transaction, known)
    return known


def newborn_question(resources: Iterable[Json]) -> Question:
    """By which the newborn is looked up: any of the identifiers; with them the mother's, who may be the newborn."""
    named = sorted((one for one in resources if one["resourceType"] in _FAMILY), key=lambda one: one["resourceType"])
    return "Patient", tuple(token for one in named for token in _given(one))


def mother_question(meant: Json) -> Question:
    """By which it is found out whether a newborn who is to be made has a mother's identifier."""
    return "RelatedPerson", _given(meant)


def _given(resource: Json) -> tuple[Token, ...]:
    """The identifiers that were captured; the first of a mother is named after the newborn."""
    own = resource["identifier"][resource["resourceType"] == "RelatedPerson" :]
    return tuple((one["system"], one["value"]) for one in own)


def belongs(resource: Json, token: tuple[str, str], ids: Iterable[str]) -> bool:
    """Whether a resource carries an identifier and its subject is one of these Patients."""
    return token in tokens_of(resource) and subject_id(resource) in set(ids)


def _check_mother(meant: Json, found: Sequence[Json]) -> None:
    """That nobody with the mother's identifiers was born when the newborn was: the two are exchanged, or it is a
    twin's."""
    born = answers.text(meant, "birthDate")
    if any(_is_infant(one, born) for one in found):
        raise _held("the mother's identifiers are those of an infant on the server", _EXCHANGED)


def _is_infant(patient: Json, born: str) -> bool:
    """Whether somebody was born in the year of the newborn, or the year before, or later."""
    theirs = answers.text(patient, "birthDate")[:4]
    return theirs.isdigit() and int(theirs) >= int(born[:4]) - 1


def _check_no_mother(asking: Asking, meant: Json) -> None:
    """That no mother there has an identifier of the newborn, who is to be made."""
    try:
        found = asking.of(*mother_question(meant))
    except ServerRefused as refused:
        if not refused.shows_none:
            raise
        return  # a server that has no such type, or shows it to us not
    if any(role in _MOTHERS for one in found for role in _roles(one)):
        raise _held("the newborn's identifiers are a mother's on the server", _EXCHANGED)


def _roles(person: Json) -> Iterator[str]:
    for relationship in answers.objects(person.get("relationship")):
        for coding in answers.objects(relationship.get("coding")):
            if coding.get("system") == ROLE_CODE:
                yield answers.text(coding, "code")


def _of_reports(client: FhirClient, reports: Sequence[Json], ours: set[tuple[str, str]]) -> list[Json]:
    """The Patient of whom the exam's report is, read by its id: a search may lag behind what was written."""
    patients = [_read(client, subject) for subject in {subject_id(report) for report in reports} if subject]
    if not patients or not all(ours & tokens_of(one) for one in patients):
        raise _held("the exam is on the server in another newborn's record; no amendment moves it", _ANEW)
    return patients


def _holds(patient: Json, ours: set[tuple[str, str]], started: str) -> bool:
    """Whether one of these numbers is still the record's: neither ``old`` (R4 identifier-use: it no longer belongs to
    the resource, and another may have it) nor of a period that ended before the exam."""
    return any(
        (answers.text(one, "system"), answers.text(one, "value")) in ours
        and one.get("use") != "old"
        and not _before(answers.text(answers.object_(one.get("period")), "end"), started)
        for one in answers.objects(patient.get("identifier"))
    )


def _before(moment: str, other: str) -> bool:
    """Whether a moment or day of FHIR lies before another; an unknown one does not."""
    if not moment or not other:
        return False
    try:
        if "T" in moment and "T" in other:
            return datetime.fromisoformat(moment) < datetime.fromisoformat(other)
    except (TypeError, ValueError):
        return False  # no moment, or one without its offset
    return moment[:10] < other[: len(moment[:10])]


def _survivor(client: FhirClient, carrying: Sequence[Json]) -> Known:
    """The one Patient that the records lead to, through ``replaced-by``."""
    found: dict[str, Json] = {}
    replaced: list[str] = []
    for patient in carrying:
        for _ in range(_MOST_LINKS):
            others = {*_links(patient)}
            if not others:
                break
            if len(others) > 1:
                raise _held(f"the newborn's record was replaced by {len(others)} others")
            replaced.append(patient["id"])
            kind, _, id_ = others.pop().removeprefix(f"{client.base_url.rstrip('/')}/").rpartition("/")
            if not id_ or kind not in ("Patient", ""):  # an address elsewhere says nothing of this server's ids
                raise _held("the newborn's record was replaced by one that cannot be followed")
            patient = _read(client, id_)
        else:
            raise _held("the newborn's record was replaced by others in a circle")
        found[patient["id"]] = patient
    if len(found) > 1:
        raise _held(f"the identifiers lead to {len(found)} different patients on the server")
    remarks = ("the newborn's record was merged: the one that replaces it was used",) if replaced else ()
    return Known(next(iter(found.values()), None), tuple(dict.fromkeys(replaced)), remarks=remarks)


def _read(client: FhirClient, id_: str) -> Json:
    try:
        return client.read("Patient", id_)
    except ServerRefused as refused:
        if refused.says(404, 410):
            raise _held("the record that the server says is the newborn's is not there") from None
        raise


def _same_exam(client: FhirClient, known: Known, reports: Sequence[Json]) -> Known:
    """That the exam's report is of this newborn, under a record of it that was merged at most."""
    for report in reports:
        subject = subject_id(report)
        if subject in known.ids:
            continue
        before = _survivor(client, [_read(client, subject)]) if subject else Known()
        if known.patient is None or before.patient is None or before.patient["id"] != known.patient["id"]:
            raise _held("the exam is on the server in another newborn's record; no amendment moves it", _ANEW)
        known = replace(known, replaced=(*known.replaced, *before.replaced), remarks=known.remarks or before.remarks)
    return known


def _compare(meant: Json, found: Json, started: str, least: int) -> None:
    agree, differ = set[str](), list[str]()
    for fact, same in _facts(meant, found):
        if same:
            agree.add(fact)
        else:
            differ.append(fact)
    if found.get("active") is False:
        differ.append("in use (the record is marked inactive)")
    died = answers.text(found, "deceasedDateTime")
    if _before(died, started):
        differ.append("alive when examined")
    if differ:
        raise Held([_problem(f"the newborn on the server differs in: {', '.join(differ)}")])
    if len(agree) < least:
        what = (
            f"too little of the newborn on the server can be compared: beside the number {len(agree)} of the"
            f" {least} facts needed agree ({', '.join(sorted(agree)) or 'none'})"
        )
        raise Held([_problem(what)])


def _facts(meant: Json, found: Json) -> Iterator[tuple[str, bool]]:
    """Each fact that both sides have, and whether they agree; one that a side lacks is no contradiction."""
    sexes = answers.text(meant, "gender"), answers.text(found, "gender")
    if all(sex not in ("", "unknown") for sex in sexes):
        yield "sex", sexes[0] == sexes[1]
    times = _birth_time(meant), _birth_time(found)
    at_once = None not in times and times[0] == times[1]
    if None not in times:
        yield "time of birth", at_once
    dates = answers.text(meant, "birthDate"), answers.text(found, "birthDate")
    if all(dates) and not at_once:
        whole = len(dates[1]) == len(dates[0])
        if whole or not dates[0].startswith(dates[1]):
            yield "date of birth", dates[0] == dates[1]
    elif at_once:
        yield "date of birth", True  # the same instant, whatever the day is called where the server stands
    order, other = meant.get("multipleBirthInteger"), found.get("multipleBirthInteger")
    if order is not None and other is not None:
        yield "birth order", int(order) == int(other)
    elif order is not None and found.get("multipleBirthBoolean") is False:
        yield "birth order (the server has a single birth)", False


def _birth_time(patient: Json) -> datetime | None:
    """To the minute, in UTC; None where it has no offset or is not there."""
    for extension in answers.objects(answers.object_(patient.get("_birthDate")).get("extension")):
        if extension.get("url") == BIRTH_TIME:
            try:
                moment = datetime.fromisoformat(answers.text(extension, "valueDateTime"))
            except ValueError:
                return None
            return moment.astimezone(UTC).replace(second=0, microsecond=0) if moment.tzinfo else None
    return None


def _check_encounter(asking: Asking, transaction: Transaction, known: Known) -> None:
    """That the ward's own Encounter is this newborn's."""
    for token in transaction.ward_encounters:
        for found in asking.of("Encounter", (token,)):
            if subject_id(found) not in ("", *known.ids):
                raise _held("the Encounter that the exam names is another patient's")


def _is_dead(patient: Json) -> bool:
    return patient.get("deceasedBoolean") is True or bool(patient.get("deceasedDateTime"))


def _links(patient: Json) -> Iterator[str]:
    for link in answers.objects(patient.get("link")):
        if link.get("type") == "replaced-by":
            yield answers.text(answers.object_(link.get("other")), "reference").partition("/_history")[0]


def subject_id(resource: Json, element: str = "subject") -> str:
    """The id that the subject of a resource leads to, or another of its references; empty where it has none."""
    reference = answers.text(answers.object_(resource.get(element)), "reference")
    return reference.partition("/_history")[0].rpartition("/")[2]


def _started(resources: Sequence[Json]) -> str:
    report = next((one for one in resources if one["resourceType"] == "DiagnosticReport"), {})
    period = answers.object_(report.get("effectivePeriod"))
    return answers.text(report, "effectiveDateTime") or answers.text(period, "start")


def _problem(what: str, remedy: str = _ASK) -> Problem:
    return problem(RULE, what, remedy)


def _held(what: str, remedy: str = _ASK) -> Held:
    return Held([_problem(what, remedy)])
