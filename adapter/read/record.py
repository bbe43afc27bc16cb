"""The one way from a record as plain data to an Exam, whatever format it was read from."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple, TypeVar

from pydantic import BaseModel, ValidationError

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive.completeness import completeness
from adapter.derive.versions import Version, instant_of
from adapter.exam import Exam, ExamDetails, Finding, Newborn, Status, Telling
from adapter.problems import Problem, Report
from adapter.read.check import check_parts, check_told, unknown_item
from adapter.read.explain import explain, takes_class, value_class
from adapter.read.files import MOST_FINDINGS, MOST_PARTS
from adapter.read.places import Place, PlaceOf, pointer
from adapter.read.raw import Unreadable, faults
from adapter.read.reading import Reading
from adapter.read.wording import listed, near, shown, takes

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class RawRecord:
    """One exam as a format's reader left it.

    ``data`` has the shape of the capture record (JSON, YAML or rows made it); what a reader could not read
    stands in it as :class:`~adapter.read.raw.Unreadable`. ``place`` leads from a JSON pointer into ``data``
    to the place in the input. ``problems`` were found while reading. ``doubtful`` is set where ``data`` may hold
    something unreadable: then the whole is looked through before anything else. ``written_before``: it is what this
    adapter made of a record once, which may hold what the site has retired since.
    """

    data: Any
    place: PlaceOf
    source: str
    problems: tuple[Problem, ...] = ()
    doubtful: bool = True
    written_before: bool = False


class _RawFinding(NamedTuple):
    data: Any
    pointer: str
    value_pointer: str


def read_record(raw: RawRecord, catalogue: Catalogue) -> Reading:
    """The exam of a record, or all that is wrong with it; never raises for what the record holds."""
    floods = list(_floods(raw))
    if floods:
        return Reading(None, in_order([*raw.problems, *floods]), raw.source, version=_version(raw.data))
    found = list(raw.problems)
    if raw.doubtful:
        found += faults(raw.data, raw.place)
    findings: list[_RawFinding] = []
    if isinstance(raw.data, dict) and isinstance(raw.data.get("findings", []), list):
        findings = list(_expanded(raw, catalogue, found))
        if not found:
            exam = _whole(raw.data, findings)
            if exam is not None:
                read = [(f, r.pointer, r.value_pointer) for f, r in zip(exam.findings, findings, strict=True)]
                before = raw.written_before
                problems = check_parts(exam.details, exam.newborn, read, catalogue, raw.place, written_before=before)
                if exam.told:
                    told, sound = list(_told(raw, catalogue, problems)), not Report(problems).errors
                    problems += check_told(exam, told, catalogue, raw.place, sound=sound)
                gaps = completeness(exam, catalogue)
                return Reading(exam, in_order(problems), raw.source, gaps, _version(raw.data))
    problems = found + _parts(raw, findings, catalogue)
    return Reading(None, in_order(problems), raw.source, version=_version(raw.data))


def _version(data: Any) -> Version | None:
    """What a record says of its place among versions, whatever else is wrong with it; None where it changes none."""
    exam = data.get("exam") if isinstance(data, dict) else None
    said = {key: one for key, one in exam.items() if isinstance(one, str)} if isinstance(exam, dict) else {}
    if "amends" not in said:
        return None
    known = said.get("status") in (Status.AMENDED, Status.ENTERED_IN_ERROR)
    status = Status(said["status"]) if known else Status.ENTERED_IN_ERROR  # the worst it can have meant
    return Version(
        said.get("id", ""), status, said["amends"], said.get("first"), instant_of(said.get("recorded", ""))
    )


def _floods(raw: RawRecord) -> Iterator[Problem]:
    """What is so much that it is no exam; it is told without looking at each part."""
    if not isinstance(raw.data, dict):
        return
    yield from _flood({key: part for key, part in raw.data.items() if key != "findings"}, raw)
    findings = raw.data.get("findings")
    count = 0
    for n, finding in enumerate(findings if isinstance(findings, list) else ()):
        value = finding.get("value") if isinstance(finding, dict) else None
        if type(value) is str and len(finding) <= MOST_PARTS:  # most
            count += 1
            continue
        count += len(value) if isinstance(value, list) else 1
        if isinstance(value, dict) or (isinstance(finding, dict) and len(finding) > MOST_PARTS):
            yield from _flood(finding, raw, ("findings", n))
    if count > MOST_FINDINGS:
        what, remedy = f"{count} findings in one exam", f"at most {MOST_FINDINGS}; one exam a record"
        yield raw.place("/findings").error("too-many-findings", what, remedy)


_HOLDERS = (dict, list)


def _flood(part: Any, raw: RawRecord, at: tuple[object, ...] = (), levels: int = 4) -> Iterator[Problem]:
    if len(part) > MOST_PARTS:
        what, remedy = f"{len(part)} entries in one place of a record", f"at most {MOST_PARTS}; one exam a record"
        yield raw.place(pointer(*at)).error("too-many-entries", what, remedy)
    elif levels:
        for step, inner in part.items() if isinstance(part, dict) else enumerate(part):
            if isinstance(inner, _HOLDERS):
                yield from _flood(inner, raw, (*at, step), levels - 1)


_ROW = re.compile(r"row (\d+)")


def in_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Each problem once, in the order of the input: by line or row, else as found."""

    def position(problem: Problem) -> int:
        row = _ROW.match(problem.where)
        return int(row[1]) if row else problem.line or 0

    return tuple(sorted(dict.fromkeys(problems), key=position))


def _whole(data: dict[str, Any], findings: list[_RawFinding]) -> Exam | None:
    try:
        return Exam.model_validate({**data, "findings": [_known(finding.data) for finding in findings]})
    except ValidationError:
        return None


_ALONE = frozenset(("text", "note", "observed_at", "counted_seconds"))
"""What a finding says in words, times and numbers of its own."""
_MOST_KNOWN = 10_000
_FINDINGS: dict[tuple[object, ...], Finding] = {}
"""Findings that were read, by their data: those alone that anybody's exam may hold, ids out of the catalogue."""


def _known(data: Any) -> Any:
    """The finding that these data are, where all of it is ids: made once for all exams, since nobody changes one.

    Anything else is handed on as it is, as are data that are no finding.
    """
    if type(data) is not dict or not _ALONE.isdisjoint(data):
        return data
    said = (*data.items(),)
    try:
        known = _FINDINGS.get(said)
    except TypeError:  # an object or a list, which is no id
        return data
    if known is None and all(type(one) is str for one in data.values()):
        with suppress(ValidationError):
            known = Finding.model_validate(data)
            if len(_FINDINGS) >= _MOST_KNOWN:
                _FINDINGS.clear()
            _FINDINGS[said] = known
    return data if known is None else known


def _expanded(raw: RawRecord, catalogue: Catalogue, problems: list[Problem]) -> Iterator[_RawFinding]:
    """Each finding of the record; one with a list of answers as so many findings with one answer each."""
    for n, data in enumerate(raw.data.get("findings", [])):
        base = f"/findings/{n}"
        value = data.get("value") if isinstance(data, dict) else None
        if not isinstance(value, list):
            yield _RawFinding(data, base, f"{base}/value")
            continue
        item = catalogue.items.get(data.get("item")) if isinstance(data.get("item"), str) else None
        place = raw.place(f"{base}/value")
        if not value:
            remedy = takes(item, catalogue.units) if item else "at least one answer"
            problems.append(place.error("empty-list", "a list of answers without an answer", remedy, _id(data)))
        elif item is not None and item.type is not ItemType.CHOICES:
            one = "one answer" if item.type is ItemType.CHOICE else "no list"
            what = f"{item.id} takes {one}; {len(value)} are given"
            problems.append(place.error("several-values", what, takes(item, catalogue.units), item.id))
        else:
            for k, answer in enumerate(value):
                yield _RawFinding({**data, "value": answer}, base, f"{base}/value/{k}")


def _id(data: Any) -> str:
    item = data.get("item") if isinstance(data, dict) else None
    return item if isinstance(item, str) and item.isprintable() else ""


def _parts(raw: RawRecord, findings: list[_RawFinding], catalogue: Catalogue) -> list[Problem]:
    """Everything wrong with a record that is not an exam as a whole: each part is read and checked by itself."""
    data, place = raw.data, raw.place
    if not isinstance(data, dict):
        return [_not_a_record(place, "a JSON object is expected, with exam, newborn and findings")]
    if "resourceType" in data:
        return [_not_a_record(place, f"this is a FHIR resource of type {shown(data['resourceType'])}")]
    problems = list(_top(data, place))
    details = _part(ExamDetails, "exam", raw, catalogue, problems)
    newborn = _part(Newborn, "newborn", raw, catalogue, problems)
    read = []
    for finding in findings:
        found = _finding(finding, catalogue, raw, problems)
        if found is not None:
            read.append((found, finding.pointer, finding.value_pointer))
    list(_told(raw, catalogue, problems))
    return problems + check_parts(details, newborn, read, catalogue, place, written_before=raw.written_before)


def _told(raw: RawRecord, catalogue: Catalogue, problems: list[Problem]) -> Iterator[tuple[Telling, str]]:
    """The tellings of a record, each with its pointer."""
    told = raw.data.get("told", [])
    for n, data in enumerate(told if isinstance(told, list) else ()):
        if isinstance(data, Unreadable):
            continue
        try:
            yield Telling.model_validate(data), f"/told/{n}"
        except ValidationError as error:
            problems += explain(error, data, Telling, partial(_below, f"/told/{n}", raw.place), catalogue=catalogue)


def _below(at: str, place: PlaceOf, step: str) -> Place:
    return place(at + step)


def _not_a_record(place: PlaceOf, what: str) -> Problem:
    return place("").error("not-a-capture-record", what, "a capture record: exam, newborn, findings")


_TOP = ("version", "exam", "newborn", "findings", "told")


def _top(data: dict[str, Any], place: PlaceOf) -> Iterator[Problem]:
    for key in data:
        if key not in _TOP:
            close = near(key, _TOP)
            remedy = f"did you mean {close[0]}?" if close else f"only {listed(_TOP)}"
            yield place(pointer(key)).error("unknown-field", f"the record has no field {shown(key)}", remedy)
    for key in ("exam", "newborn"):
        if key not in data:
            yield place("").error("missing-field", f"the record has no {key}", f"add {key}")
    version = data.get("version", 1)
    if type(version) is not int or version != 1:
        yield place("/version").error("unknown-version", "this version of the record is not known", "1")
    if not isinstance(data.get("findings", []), list):
        yield place("/findings").error("wrong-type", "findings is not a list", "a list of findings, maybe empty")
    if not isinstance(data.get("told", []), list):
        yield place("/told").error("wrong-type", "told is not a list", "a list of who was told of which line")


def _part(model: type[M], key: str, raw: RawRecord, catalogue: Catalogue, problems: list[Problem]) -> M | None:
    if key not in raw.data:
        return None
    part = raw.data[key]
    if isinstance(part, Unreadable):
        return None
    try:
        return model.model_validate(part)
    except ValidationError as error:
        problems += explain(error, part, model, lambda p: raw.place(f"/{key}{p}"), catalogue=catalogue)
        return None


def _finding(finding: _RawFinding, catalogue: Catalogue, raw: RawRecord, problems: list[Problem]) -> Finding | None:
    """The finding, or its problems; its value is read by the class it looks like, so that one mistake gives one
    problem and not one for every class a value may have."""
    data = finding.data
    if not isinstance(data, dict):
        what, remedy = "a finding is an object", 'such as {"item": "cry", "value": "strong_lusty"}'
        problems.append(raw.place(finding.pointer).error("wrong-type", what, remedy))
        return None
    name = data.get("item")
    item = catalogue.items.get(name) if isinstance(name, str) else None
    value = _value(finding, item, catalogue, raw.place, problems)
    try:
        read = Finding.model_validate(
            {**data, "value": _UNREAD if value is None and data.get("value") is not None else value}
        )
    except ValidationError as error:
        place = _field_place(finding, raw.place)
        problems += explain(error, {**data, "value": value}, Finding, place, item, catalogue)
    else:
        if read.value != _UNREAD:
            return read
    if isinstance(name, str) and item is None:
        problems.append(unknown_item(name, finding.pointer, catalogue, raw.place))
    return None


_UNREAD = "unread"


def _value(
    finding: _RawFinding, item: Item | None, catalogue: Catalogue, place: PlaceOf, problems: list[Problem]
) -> Any:
    """The value as the domain holds it, or None and its problem."""
    value = finding.data.get("value")
    if value is None or isinstance(value, (str, Unreadable)):
        return value if isinstance(value, str) else None
    if isinstance(value, dict):
        model = value_class(value, item)
        if item is not None and not takes_class(item, model):
            what = f"{item.id} does not take such a value"
            remedy = takes(item, catalogue.units)
            problems.append(place(finding.value_pointer).error("wrong-kind-of-value", what, remedy, item.id))
            return None
        try:
            return model.model_validate(value)
        except ValidationError as error:
            at = finding.value_pointer
            problems += explain(error, value, model, lambda p: place(at + p), item, catalogue)
            return None
    number = isinstance(value, (int, Decimal))
    rule, what = ("unit-missing", "a bare number") if number else ("wrong-type", "neither an answer nor an object")
    remedy = takes(item, catalogue.units) if item else 'such as {"value": 3310, "unit": "g"}, or an answer'
    problems.append(place(finding.value_pointer).error(rule, what, remedy, _id(finding.data)))
    return None


def _field_place(finding: _RawFinding, place: PlaceOf) -> PlaceOf:
    def at(step: str) -> Any:
        if step == "/value" or step.startswith("/value/"):
            return place(finding.value_pointer + step.removeprefix("/value"))
        return place(finding.pointer + step)

    return at
