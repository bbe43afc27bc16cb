"""From ORU^R01 back to exams: what :func:`adapter.write.v2.to_oru` writes reads back to the same findings.

Everything rests on the project's own codes, on the sub-ids and on the types of comments. A message of somebody else
is no exam of ours: it is said where, by segment and field, and nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import Json
from adapter.problems import Problem
from adapter.read.bundle import NotReadable
from adapter.read.oru_findings import GESTATION, Group, Noted, findings, gestation_of
from adapter.read.places import Place
from adapter.read.raw import TOLD, Unreadable
from adapter.read.reading import Reading
from adapter.read.record import RawRecord, read_record
from adapter.v2.er7 import Read, read_moment, segments, split
from adapter.v2.tables import SEXES


def from_oru(data: bytes, catalogue: Catalogue) -> list[Exam]:
    """The exams of the messages in a file, findings in the order of the message. Raises :class:`NotReadable`."""
    exams: list[Exam] = []
    problems: list[Problem] = []
    for reading in read_oru(data, catalogue):
        problems += reading.errors
        if reading.exam is not None:
            exams.append(reading.exam)
    if problems:
        raise NotReadable(problems)
    return exams


def read_oru(data: bytes, catalogue: Catalogue, name: str = "message") -> Iterator[Reading]:
    """A reading for each message, checked as any capture file is; never raises for what the file holds."""
    remedy = "messages of HL7 v2, each beginning with MSH|^~\\&"
    try:
        found = split(data)
    except ValueError as error:
        yield Reading(None, (Place("segment 1 (MSH)", file=name).error("not-hl7-v2", f"it {error}", remedy),), name)
        return
    for number, lines in enumerate(found, start=1):
        within = f"message {number}, " if len(found) > 1 else ""
        source = f"{name}, message {number}" if within else name
        try:
            read = segments(lines)
        except ValueError as error:
            place = Place(f"{within}segment 1 (MSH)", lines[0][0], name)
            yield Reading(None, (place.error("not-hl7-v2", f"it {error}", remedy),), source)
        else:
            yield read_record(_Message(read, catalogue, name, within).raw(source), catalogue)


class _Message:
    """One message as a capture record; what cannot be read stands in it as such, and the rest is read."""

    def __init__(self, found: list[Read], catalogue: Catalogue, name: str, within: str) -> None:
        self._catalogue, self._name, self._within = catalogue, name, within
        self._segments = found
        self._problems: list[Problem] = []
        self._places: dict[str, Place] = {}
        self._groups: list[Group] = []

    def raw(self, source: str) -> RawRecord:
        """The record, with the place of each of its fields."""
        record = self._record()
        return RawRecord(record, self._place, source, tuple(self._problems), written_before=True)

    def _record(self) -> Json:
        header = self._segments[0]
        nothing: Json = {"version": 1, "exam": TOLD, "newborn": TOLD, "findings": []}
        kind = header.part(9), header.part(9, 2)
        if kind != ("ORU", "R01"):
            said = "^".join(kind) if all(re.fullmatch(r"\w{3}", part) for part in kind) else "something else"
            self._wrong(header, 9, "unsupported-message", f"it is {said}, no ORU^R01", "a message of type ORU^R01")
            return nothing
        self._groups = [group.standing() for group in self._grouped()]
        patient = next((one for one in self._segments if one.name == "PID"), None)
        if patient is None or not self._groups:
            missing = "PID" if patient is None else "OBR"
            self._wrong(header, 0, "missing-segment", f"the message has no {missing}", "an ORU^R01 of one newborn")
            return nothing
        report, *regions = self._groups
        kind_of_exam = self._own(report.request, 4)
        if kind_of_exam is None:
            what = f"OBR-4 has no code of {self._catalogue.v2.own_system}"
            self._wrong(report.request, 4, "not-ours", what, "a message written by this adapter, with this catalogue")
            return nothing
        newborn = self._newborn(patient, report, regions)
        record: Json = {"version": 1, "exam": self._details(report, kind_of_exam), "newborn": newborn}
        record["findings"] = self._findings(regions, record)
        if told := list(self._tellings(report)):
            record["told"] = told
        return record

    def _grouped(self) -> Iterator[Group]:
        group: Group | None = None
        for one in self._segments:
            if one.name == "OBR":
                if group is not None:
                    yield group
                group = Group(one)
            elif one.name in ("OBX", "NTE") and group is not None:
                group.add(one)
        if group is not None:
            yield group

    def _own(self, segment: Read, field: int, repetition: int = 0) -> str | None:
        """The code of the project's own in a coded field."""
        for first in (1, 4):
            if segment.part(field, first + 2, repetition) == self._catalogue.v2.own_system:
                return segment.part(field, first, repetition)
        return None

    def _details(self, report: Group, kind: str) -> Json:
        request = report.request
        roles = [(one, self._own(one.result, 5)) for one in report.results if self._own(one.result, 3) == "exam.role"]
        flags = {one.result.raw(11) for one, _ in roles}
        status = {"F": "final", "C": "amended", "A": "amended", "W": "entered-in-error"}.get(min(flags, default="F"))
        wrong = status is None or len(flags) > 1
        nobody = Unreadable("not-ours", "the report does not say who examined", "an OBX of exam.role")
        details: Json = {
            "id": request.part(20),
            "kind": kind,
            "started": _moment(request, 7),
            "status": Unreadable("status", "is no status of a finished exam", "F, C, A or W") if wrong else status,
            "examiners": [self._examiner(one.result, role) for one, role in roles] or nobody,
        }
        if not wrong and status != "final":
            before = report.comment("corrects")
            details["amends"] = before or request.part(3)
            if before:
                details["first"] = request.part(3)
        details |= {key: words for key in ("reassigned_from", "reason") if (words := report.comment(key))}
        if request.raw(8):
            details["ended"] = _moment(request, 8)
        if request.raw(22):
            details["recorded"] = _moment(request, 22)
        visit = next((one for one in self._segments if one.name == "PV1"), None)
        if visit is not None and visit.part(3, 9):
            details["place"] = visit.part(3, 9)
        if visit is not None and visit.raw(19):
            details["encounter"] = self._identifier(visit, visit.raw(19))
        fields = {
            "": 0,
            "/id": 20,
            "/kind": 4,
            "/started": 7,
            "/ended": 8,
            "/recorded": 22,
            "/amends": 3,
            "/first": 3,
        }
        self._places |= {f"/exam{at}": self._of(request, field) for at, field in fields.items()}
        for n, (one, _) in enumerate(roles):
            self._places[f"/exam/examiners/{n}"] = self._of(one.result, 16)
            self._places[f"/exam/examiners/{n}/role"] = self._of(one.result, 5)
        if roles:
            self._places["/exam/status"] = self._of(roles[0][0].result, 11)
        if visit is not None:
            self._places |= {"/exam/place": self._of(visit, 3), "/exam/encounter": self._of(visit, 19)}
        return details

    def _examiner(self, segment: Read, role: str | None, field: int = 16) -> Json:
        found: Json = {"role": role, **_name(segment, field, first=2)}
        if segment.part(field, 1):
            authority = (segment.part(field, 9, sub=n) for n in (1, 2, 3))
            found["identifier"] = {
                "system": self._catalogue.v2.system_of(*authority),
                "value": segment.part(field, 1),
            }
        return found

    def _tellings(self, report: Group) -> Iterator[Json]:
        """Who was told: the OBX of one sub-id, each with its own code."""
        groups: dict[str, dict[str, Noted]] = {}
        for one in report.results:
            code = self._own(one.result, 3) or ""
            if code.startswith("told."):
                groups.setdefault(one.result.raw(4), {})[code.removeprefix("told.")] = one
        for n, (parts, line) in enumerate((g, g["line"]) for g in groups.values() if "line" in g):
            at = f"/told/{n}"
            self._places[at] = self._of(line.result)
            telling: Json = {"line": line.result.whole(5), "at": _moment(line.result, 14)}
            telling["to"] = self._person(parts.get("to"), 5, parts.get("to-role"))
            if "by-role" in parts:
                telling["by"] = self._person(line, 16, parts["by-role"])
            if "read-back" in parts:
                telling["read_back"] = self._own(parts["read-back"].result, 5) == "read_back"
            if (words := line.comment("said")) is not None:
                telling["words"] = words
            fields = {"line": (line, 5), "at": (line, 14), "to": (parts.get("to", line), 5), "by": (line, 16)}
            self._places |= {f"{at}/{name}": self._of(one.result, field) for name, (one, field) in fields.items()}
            yield telling

    def _person(self, one: Noted | None, field: int, role: Noted | None) -> Json | Unreadable:
        if one is None or role is None:
            return Unreadable("not-ours", "the message does not say who", "an OBX of the person and of the role")
        return self._examiner(one.result, self._own(role.result, 5), field)

    def _identifier(self, segment: Read, repetition: str) -> Json:
        namespace, universal, kind = (segment.within(repetition, 4, sub) for sub in (1, 2, 3))
        system = self._catalogue.v2.system_of(namespace, universal, kind)
        return {"system": system, "value": segment.within(repetition, 1)}

    def _newborn(self, patient: Read, report: Group, regions: list[Group]) -> Json:
        sexes = {code: sex.value for sex, code in SEXES.items()} | {"A": "other", "N": "other", "": "unknown"}
        no_sex = Unreadable("sex", "is no code of table 0001", "F, M, O, U, A or N")
        newborn: Json = {
            "identifiers": [self._identifier(patient, one) for one in patient.repetitions(3)],
            "sex": sexes.get(patient.raw(8), no_sex),
            "birth_time": _moment(patient, 7),
        }
        newborn |= _name(patient, 5, first=1)
        if patient.raw(25):
            newborn["birth_order"] = {"order": _whole(patient, 25)}
            born = next((one for one in report.results if self._own(one.result, 3) == "exam.born"), None)
            if born is not None:
                newborn["birth_order"]["of"] = _whole(born.result, 5)
                self._places["/newborn/birth_order/of"] = self._of(born.result, 5)
        if patient.raw(21):
            newborn["mother"] = {"identifiers": [self._identifier(patient, one) for one in patient.repetitions(21)]}
            kin = next((o for o in self._segments if o.name == "NK1" and o.part(3) == "MTH"), None)
            if kin is not None:
                newborn["mother"] |= _name(kin, 2, first=1)
        known = [one for group in regions for one in group.results if self._own(one.result, 3) == GESTATION]
        computed = next((one for one in known if one.comment("computed") is not None), None)
        if computed is not None:
            newborn["gestation"] = gestation_of(computed, self._own)
            self._places["/newborn/gestation"] = self._of(computed.result, 5)
        fields = {
            "": 0,
            "/identifiers": 3,
            "/name": 5,
            "/birth_time": 7,
            "/sex": 8,
            "/mother": 21,
            "/birth_order": 25,
        }
        self._places = {f"/newborn{at}": self._of(patient, field) for at, field in fields.items()} | self._places
        return newborn

    def _findings(self, regions: list[Group], record: Json) -> list[Json]:
        found: list[Json] = []
        for group in regions:
            for finding, segment in findings(group, self._catalogue, self._own, self._unknown):
                if finding.get("observed_at") == self._usual_time(finding["item"], record):
                    del finding["observed_at"]
                for at, field in _FIELDS.items():
                    self._places[f"/findings/{len(found)}{at}"] = self._of(segment, field)
                found.append(finding)
        return found

    def _usual_time(self, item: str, record: Json) -> str | None:
        """When a finding of an item is made that has no time of its own (:func:`adapter.derive.made_at`)."""
        minutes, born = self._catalogue.items[item].minutes_after_birth, record["newborn"]["birth_time"]
        if minutes is None or not isinstance(born, str):
            return record["exam"]["started"]  # type: ignore[no-any-return]
        return (datetime.fromisoformat(born) + timedelta(minutes=minutes)).isoformat()

    def _unknown(self, segment: Read, field: int, what: str, remedy: str) -> None:
        self._wrong(segment, field, "not-ours", what, remedy)

    def _wrong(self, segment: Read, field: int, rule: str, what: str, remedy: str) -> None:
        self._problems.append(self._of(segment, field).error(rule, what, remedy))

    def _of(self, segment: Read, field: int = 0) -> Place:
        name = f"{segment.name}-{field}" if field else segment.name
        return Place(f"{self._within}segment {segment.number} ({name})", segment.at, self._name)

    def _place(self, at: str) -> Place:
        """The segment and field that a part of the record came from: its own, else that of what holds it."""
        while at and at not in self._places:
            at = at.rpartition("/")[0]
        return self._places.get(at) or self._of(self._segments[0])


_FIELDS = {"": 0, "/item": 3, "/value": 5, "/value/unit": 6, "/text": 5, "/method": 17, "/observed_at": 14}
"""The fields of an OBX that the fields of a finding come from."""


def _name(segment: Read, field: int, first: int) -> Json:
    """A name of XPN (``first`` component 1) or XCN (2): in parts where it was taken apart, else whole.

    What is apart has a given name or says so (name representation code, XPN.8, XCN.15); a line may stand beside it.
    """
    found: Json = {}
    for one in segment.repetitions(field):
        family, given, further, _, prefix = (segment.within(one, first + n) for n in range(5))
        if given or further or segment.within(one, 8 if first == 1 else 15):
            names = " ".join(filter(None, (given, further)))
            parts = {"family": family, "given": names, "prefix": prefix}
            found |= {part: value for part, value in parts.items() if value}
        elif family and "name" not in found:
            found["name"] = family
    return found


def _moment(segment: Read, field: int) -> str | Unreadable:
    try:
        return read_moment(segment.raw(field))
    except ValueError as error:
        return Unreadable("time", f"is {error}", "a time stamp with its offset")


def _whole(segment: Read, field: int) -> int | Unreadable:
    if re.fullmatch(r"\d{1,2}", segment.raw(field)):
        return int(segment.raw(field))
    return Unreadable("not-a-number", "is no whole number", "digits")
