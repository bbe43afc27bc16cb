"""What a server holds of an exam: of each entry of its bundle, and Observations that the bundle has no more.

Found by business identifier (FHIR R4 search, token), Provenance by its id; nothing is written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from adapter.fhir import search_token
from adapter.fhir.json import Json
from adapter.send.rest import answers
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.asking import Asking, Token, name_of, tokens_of
from adapter.send.rest.capability import Mode
from adapter.send.rest.client import FhirClient
from adapter.send.rest.compare import Difference, differences
from adapter.send.rest.newborn import Known, belongs, subject_id
from adapter.send.rest.transaction import Transaction

_OTHERWISE = frozenset({"Patient", "Observation", "Communication", "Provenance"})
"""The types that are not looked up by the name of each."""


@dataclass(slots=True)
class Holding:
    """What is there of each entry.

    ``shared`` are the full URLs of entries that only need to exist; ``found`` holds, for each entry of the bundle
    in order, what the server has under its name: nothing, one, or (doubled) more; ``extra`` are the exam's
    Observations and Communications on the server that the bundle does not hold; ``same_version``: the report there is
    of this very version of the exam.
    """

    entries: list[Json]
    shared: frozenset[str]
    found: list[list[Json]]
    extra: list[Json] = field(default_factory=list)
    same_version: bool = False
    _places: dict[str, str] | None = None

    def places(self) -> dict[str, str]:
        """Full URLs of the entries that are there once, and where they are (``Type/id``); once all is looked up."""
        if self._places is None:
            single = zip(self.entries, self.found, strict=True)
            self._places = {entry["fullUrl"]: place_of(found[0]) for entry, found in single if len(found) == 1}
        return self._places

    def meant(self, number: int) -> Json:
        """What entry ``number`` shall be. A Provenance is also of what is marked as entered in error with it."""
        resource: Json = self.entries[number]["resource"]
        if resource["resourceType"] != "Provenance" or not self.extra:
            return resource
        known = [answers.text(t, "reference") for found in self.found[number] for t in found.get("target", [])]
        marked = [
            {"reference": place_of(extra)}
            for extra in self.extra
            if not is_retracted(extra) or any(one.endswith(place_of(extra)) for one in known)
        ]
        return {**resource, "target": [*resource["target"], *marked]}

    def changes(self, number: int) -> list[Difference]:
        """Where entry ``number``, which is there once, is not as meant."""
        places = self.places()

        def leads(meant: str, found: str) -> bool:
            wanted = places.get(meant, meant)
            return found == wanted or found.partition("/_history")[0].endswith(f"/{wanted}")

        return differences(self.meant(number), self.found[number][0], leads)

    def is_outdated(self, number: int) -> bool:
        """Whether entry ``number``, which is there once, is to be updated. A server that has lost digits of this very
        version would lose them again."""
        return any(not (self.same_version and change.how == "digits") for change in self.changes(number))


def held_report(client: FhirClient, transaction: Transaction) -> list[Json]:
    """The exam's DiagnosticReport on the server, by the id of the exam as first recorded."""
    token = search_token(transaction.systems.exam, transaction.root)
    found = client.search("DiagnosticReport", {"identifier": token})
    return [one for one in found if transaction.root in own_values(one, transaction.systems.exam)]


def look_up(
    client: FhirClient,
    transaction: Transaction,
    newborn: Known,
    known: Mapping[str, str] | None = None,
    *,
    reports: Sequence[Json] = (),
    asks_in: Mode | None = None,
) -> Holding:
    """Look everything up. Raises what the client raises.

    ``reports`` are those of the exam where they have just been found; ``asks_in``: the Bundle in which the server
    takes several searches.

    ``known`` says where Observations of earlier versions are (``Type/id`` by the value of their identifier): a search
    may lag behind what was written, a read does not; so what the exam's report names is read too, where the search
    did not show it. What is there must carry that identifier and be of this ``newborn``: the ids of a server that was
    restored or replaced lead anywhere.
    """
    entries = transaction.entries()
    holding = Holding(entries, transaction.shared, [[] for _ in entries])
    kinds = [entry["resource"]["resourceType"] for entry in entries]
    by_name = _by_name(client, entries, reports, asks_in)
    for number, entry in enumerate(entries):
        if kinds[number] == "Patient":
            holding.found[number] = [newborn.patient] if newborn.patient else []
        else:
            holding.found[number] = by_name.get(entry["fullUrl"], [])
    reports = [
        one for kind, found in zip(kinds, holding.found, strict=True) if kind == "DiagnosticReport" for one in found
    ]
    observations = _of_exam(client, transaction, "Observation", newborn.ids)
    told: dict[str, list[Json]] = {}
    if "Communication" in transaction.types or transaction.exam != transaction.root:
        told = _tellings(client, transaction, newborn.ids)
    for value, place in (known or {}).items():
        token = transaction.systems.observation, value
        if value not in observations and (resource := _read(client, place)) and belongs(resource, token, newborn.ids):
            observations[value] = [resource]
    _read_unseen(client, transaction, reports, observations, newborn.ids)
    ours = [one for one in reports if version_named(one, transaction) == transaction.exam]
    holding.same_version = bool(ours)
    for number, entry in enumerate(entries):
        kind = kinds[number]
        if kind == "Observation":
            holding.found[number] = observations.pop(entry["resource"]["identifier"][0]["value"], [])
        elif kind == "Communication":
            holding.found[number] = told.pop(entry["resource"]["identifier"][0]["value"], [])
        elif kind == "Provenance":
            holding.found[number] = provenances(client, transaction, ours)  # it comes last: not before its report
    holding.extra = [resource for found in (*observations.values(), *told.values()) for resource in found]
    return holding


def _by_name(
    client: FhirClient, entries: Sequence[Json], reports: Sequence[Json], asks_in: Mode | None
) -> dict[str, list[Json]]:
    """By full URL what has the identifier by which an entry is created, those of one type in one search."""
    tokens: dict[str, dict[str, Token]] = {}
    for entry in entries:
        kind = entry["resource"]["resourceType"]
        if kind not in _OTHERWISE and not (kind == "DiagnosticReport" and reports):
            tokens.setdefault(kind, {})[entry["fullUrl"]] = name_of(entry["resource"])
    questions = {kind: (kind, tuple(dict.fromkeys(named.values()))) for kind, named in tokens.items()}
    asking = Asking(client, asks_in)
    asking.ask(list(questions.values()))
    found = {
        full_url: [one for one in asking.of(*questions[kind]) if token in tokens_of(one)]
        for kind, named in tokens.items()
        for full_url, token in named.items()
    }
    own = [e["fullUrl"] for e in entries if e["resource"]["resourceType"] == "DiagnosticReport" and reports]
    return found | {full_url: list(reports) for full_url in own}


def _tellings(client: FhirClient, transaction: Transaction, patients: Iterable[str]) -> dict[str, list[Json]]:
    """As :func:`_of_exam`, of Communications; none on a server that has no such type."""
    try:
        return _of_exam(client, transaction, "Communication", patients)
    except ServerRefused as refused:
        if not refused.shows_none:
            raise
        return {}


def _of_exam(
    client: FhirClient, transaction: Transaction, kind: str, patients: Iterable[str]
) -> dict[str, list[Json]]:
    """The exam's resources of a type by the value of their identifier, which begins with the exam's id."""
    system = transaction.systems.told if kind == "Communication" else transaction.systems.observation
    found: dict[str, list[Json]] = {}
    for patient in patients:
        for resource in client.search(kind, {"patient": f"Patient/{patient}", "_count": "200"}):
            for value in own_values(resource, system):
                if value.startswith(f"{transaction.root}/"):
                    found.setdefault(value, []).append(resource)
    return found


def _read_unseen(
    client: FhirClient,
    transaction: Transaction,
    reports: Sequence[Json],
    observations: dict[str, list[Json]],
    patients: Sequence[str],
) -> None:
    """Add the exam's Observations that its ``reports`` lead to, by results and members, and a search did not show."""
    leads = [lead for report in reports for lead in answers.objects(report.get("result"))]
    leads += [lead for found in observations.values() for one in found for lead in _members(one)]
    seen = {place_of(one) for found in observations.values() for one in found}
    while leads:
        place = "/".join(answers.text(leads.pop(), "reference").partition("/_history")[0].split("/")[-2:])
        if place in seen or not place.startswith("Observation/"):
            continue
        seen.add(place)
        resource = _read(client, place)
        if resource is None or subject_id(resource) not in patients:
            continue
        for value in own_values(resource, transaction.systems.observation):
            if value.startswith(f"{transaction.root}/"):
                observations.setdefault(value, []).append(resource)
        leads += _members(resource)


def _members(observation: Json) -> list[Json]:
    return answers.objects(observation.get("hasMember"))


def _read(client: FhirClient, place: str) -> Json | None:
    try:
        return client.read(*place.split("/"))
    except ServerRefused as refused:
        if refused.says(404, 410):
            return None
        raise


def read_again(client: FhirClient, holding: Holding, wanted: Callable[[Json], bool]) -> None:
    """Put what is there now in the place of what a search showed, of those that are ``wanted``: a search may show
    what was there a while ago, a read does not. Where another resource lies now, what was found is kept."""

    def now(one: Json) -> Json:
        known = _read(client, place_of(one)) if wanted(one) else None
        return one if known is None or tokens_of(known) != tokens_of(one) else known

    holding.found = [[now(one) for one in found] for found in holding.found]
    holding.extra = [now(one) for one in holding.extra]


def own_values(resource: Json, system: str) -> Iterator[str]:
    """The values of its identifiers in a system."""
    for identifier in answers.objects(resource.get("identifier")):
        if identifier.get("system") == system:
            yield answers.text(identifier, "value")


def provenances(client: FhirClient, transaction: Transaction, reports: Iterable[Json]) -> list[Json]:
    """The Provenance of this version: by our id; or, where a server gave it another, by its target, one of the
    ``reports``, and the capture record that it names."""
    own = provenance_by_id(client, transaction.provenance)
    if own is not None:
        return [own]
    found = []
    for report in reports:
        for resource in client.search("Provenance", {"target": f"DiagnosticReport/{report['id']}"}):
            if version_of(resource, "source") == transaction.exam:
                found.append(resource)
    return found


def provenance_by_id(client: FhirClient, id_: str) -> Json | None:
    """A Provenance; None where it is not there, or the server has none."""
    try:
        return client.read("Provenance", id_)
    except ServerRefused as refused:
        if refused.says(400, 404, 405, 410):
            return None
        raise


def version_named(report: Json, transaction: Transaction) -> str:
    """The version of the exam that a report is of; one that says nothing of it is as first recorded."""
    return next(own_values(report, transaction.systems.version), transaction.root)


def version_of(provenance: Json, role: str) -> str | None:
    """The version of an exam that an entity of a Provenance is, by its role: ``source``, its own capture record;
    ``revision``, the version that it corrects, where that is a later one itself."""
    for entity in answers.objects(provenance.get("entity")):
        if entity.get("role") == role:
            what = answers.object_(entity.get("what"))
            return answers.text(answers.object_(what.get("identifier")), "value") or None
    return None


def is_retracted(resource: Json) -> bool:
    """Whether it is marked as entered in error already."""
    return resource.get("status") == "entered-in-error"


def place_of(resource: Json) -> str:
    """``Type/id``."""
    return f"{resource['resourceType']}/{resource['id']}"
