"""Bundles of requests: transaction (all or nothing) and batch (each for itself).

FHIR R4 RESTful API, section 3.1.0.11: batch rules 3.1.0.11.1, transaction rules 3.1.0.11.2. A transaction is
carried out as DELETE, POST, PUT, GET whatever the order of its entries; references to full URLs of its
entries become references to the resources made, conditional references are resolved last.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl

from adapter.sandbox import interactions
from adapter.sandbox.bundles import history, search_set, status_line
from adapter.sandbox.interactions import LAYERS, InteractionPlan
from adapter.sandbox.references import resolve_conditional, rewrite, unresolved
from adapter.sandbox.refusal import Refusal, outcome
from adapter.sandbox.search import matches, parse
from adapter.sandbox.store import Session, Store, Version
from adapter.sandbox.terminology import Definitions
from adapter.validate import validate

_ORDER = {"DELETE": 1, "POST": 2, "PUT": 3, "GET": 4}


@dataclass(slots=True)
class _Entry:
    """An entry of a bundle of requests, taken apart: ``path`` and ``criteria`` are those of ``request.url``."""

    number: int
    full_url: str
    method: str
    path: list[str]
    criteria: str | None
    if_match: str
    if_none_exist: str
    resource: dict[str, Any] | None

    @property
    def place(self) -> str:
        return f"Bundle.entry[{self.number}]"

    def content(self) -> dict[str, Any]:
        """The resource that a POST or PUT must bring."""
        if self.resource is None or self.resource.get("resourceType") != self.path[0]:
            raise Refusal(400, "invalid", f"{self.method} needs a resource of the type in request.url")
        return self.resource


def process(
    store: Store, bundle: dict[str, Any], *, base: str, prefer: str, terminology: Callable[[], Definitions]
) -> dict[str, Any]:
    """Carry out a Bundle of type ``transaction`` or ``batch`` and answer with the response Bundle.

    ``base`` is the server's address; ``prefer`` is ``minimal``, ``representation`` or ``OperationOutcome``
    (3.1.0.1, managing return content); ``terminology`` has the answers to operations on codes. Raises
    :class:`Refusal` when a transaction fails, the place naming the entry; the store is then as it was. A batch
    answers entry by entry.
    """
    kind = bundle.get("type")
    if kind not in ("transaction", "batch"):
        raise Refusal(400, "invalid", "only a Bundle of type transaction or batch can be posted here")
    if kind == "transaction":
        interactions.refuse_invalid(validate(bundle, layers=LAYERS))
    entries = _list(bundle.get("entry", []))
    answer = _Answer(base, prefer, terminology)
    carry_out = _transaction if kind == "transaction" else _batch
    answers = carry_out(store, entries, answer)
    response: dict[str, Any] = {"resourceType": "Bundle", "type": f"{kind}-response"}
    if answers:
        response["entry"] = answers
    return response


@dataclass(frozen=True, slots=True)
class _Answer:
    """How the entries of the response are made."""

    base: str
    prefer: str
    terminology: Callable[[], Definitions]

    def written(self, status: int, version: Version) -> dict[str, Any]:
        """For a create or update: status, location, etag, lastModified, and what was preferred."""
        response: dict[str, Any] = {
            "status": status_line(status),
            "location": version.location,
            "etag": version.etag,
            "lastModified": version.last_updated,
        }
        entry: dict[str, Any] = {"response": response}
        if self.prefer == "representation":
            entry = {"fullUrl": f"{self.base}/{version.type}/{version.id}", "resource": version.resource, **entry}
        elif self.prefer == "OperationOutcome":
            response["outcome"] = outcome("information", "informational", f"{version.location} is current")
        return entry

    def fetched(self, session: Session, entry: _Entry) -> dict[str, Any]:
        """For a GET: read, vread, history or search."""
        match entry.path:
            case [type_, operation] if operation.startswith("$"):
                given = dict(parse_qsl(entry.criteria or ""))
                result = self.terminology().answer(type_, operation, given)
                return {"resource": result, "response": {"status": status_line(200)}}
            case [type_] if type_:
                interactions.check_type(type_)
                query = parse(type_, parse_qsl(entry.criteria or "", keep_blank_values=True), base=self.base)
                return {"resource": search_set(session, query, self.base), "response": {"status": status_line(200)}}
            case [type_, id_, "_history"]:
                past = history(session, type_, id_, self.base)
                return {"resource": past, "response": {"status": status_line(200)}}
            case [type_, id_]:
                version = interactions.read(session, type_, id_)
            case [type_, id_, "_history", number]:
                version = interactions.vread(session, type_, id_, number)
            case _:
                raise Refusal(400, "not-supported", "this GET is not supported inside a bundle")
        response = {
            "status": status_line(200),
            "etag": version.etag,
            "lastModified": version.last_updated,
        }
        full_url = f"{self.base}/{version.type}/{version.id}"
        return {"fullUrl": full_url, "resource": version.resource, "response": response}


def _transaction(store: Store, raw: list[Any], answer: _Answer) -> list[dict[str, Any]]:
    """All entries in one session of the store (3.1.0.11.2)."""
    entries = []
    for number, element in enumerate(raw):
        with _placed(number):
            entries.append(_entry(number, element, answer.base))
    answers: dict[int, dict[str, Any]] = {}
    with store.session() as session:
        for entry in _of(entries, "DELETE"):
            with _placed(entry.number):
                answers[entry.number] = _delete(session, entry)
        writes = [*_of(entries, "POST"), *_of(entries, "PUT")]
        plans: dict[int, InteractionPlan] = {}
        for entry in writes:
            with _placed(entry.number):
                plans[entry.number] = _plan(session, entry)
        _refuse_overlap(entries, plans)
        resources = _rewritten(session, writes, plans)
        for entry in writes:
            with _placed(entry.number):
                written = interactions.write(session, plans[entry.number], resources[entry.number])
                answers[entry.number] = answer.written(*written)
        for entry in _of(entries, "GET"):
            with _placed(entry.number):
                answers[entry.number] = answer.fetched(session, entry)
    return [answers[number] for number in range(len(raw))]


def _rewritten(
    session: Session, writes: list[_Entry], plans: dict[int, InteractionPlan]
) -> dict[int, dict[str, Any]]:
    """The resources to write, their references leading to the resources as they will be.

    All are put into the index first, so that conditional references find what this same transaction makes,
    whatever the order of the entries; then criteria that find another resource of the bundle are refused.
    """
    new = {e.full_url: f"{plans[e.number].type}/{plans[e.number].id}" for e in writes if e.full_url}
    resources: dict[int, dict[str, Any]] = {e.number: rewrite(e.content(), e.full_url, new) for e in writes}
    rows = {
        e.number: interactions.reindex(session, plans[e.number], (), resources[e.number])
        for e in writes
        if plans[e.number].write
    }
    for entry in writes:
        number, plan = entry.number, plans[entry.number]
        with _placed(number):
            _refuse_doubles(session, entry, plan)
            if plan.write and unresolved(resources[number]):
                resources[number] = resolve_conditional(
                    resources[number], lambda type_, criteria: _the_one(session, type_, criteria)
                )
                interactions.refuse_unresolved(resources[number])
                interactions.reindex(session, plan, rows[number], resources[number])
    return resources


def _the_one(session: Session, type_: str, criteria: str) -> str:
    """What a conditional reference refers to: exactly one resource, or the transaction fails."""
    interactions.check_type(type_)
    found = matches(session, type_, criteria)
    if len(found) != 1:
        raise Refusal(
            412 if found else 400,
            "multiple-matches" if found else "not-found",
            f"a conditional reference to {type_} finds {len(found)} resources, it must find one",
        )
    return f"{type_}/{found[0]}"


def _batch(store: Store, raw: list[Any], answer: _Answer) -> list[dict[str, Any]]:
    """Each entry in a session of its own; one that fails answers with its own status (3.1.0.11.1)."""
    answers: dict[int, dict[str, Any]] = {}
    order = sorted(enumerate(raw), key=lambda item: _ORDER.get(_method(item[1]), 5))
    for number, element in order:
        try:
            answers[number] = _single(store, number, element, answer)
        except Refusal as refusal:
            outcome_ = refusal.at(f"Bundle.entry[{number}]").outcome()
            answers[number] = {"response": {"status": status_line(refusal.status), "outcome": outcome_}}
    return [answers[number] for number in range(len(raw))]


def _single(store: Store, number: int, element: Any, answer: _Answer) -> dict[str, Any]:
    entry = _entry(number, element, answer.base)
    with store.session() as session:
        if entry.method == "DELETE":
            return _delete(session, entry)
        if entry.method == "GET":
            return answer.fetched(session, entry)
        interactions.check_type(entry.path[0])
        resource = interactions.check_resource(entry.content(), entry.path[0])
        return answer.written(*interactions.carry_out(session, _plan(session, entry), resource))


def _plan(session: Session, entry: _Entry) -> InteractionPlan:
    """Where the write of a POST or PUT entry goes."""
    resource, type_ = entry.content(), entry.path[0]
    interactions.check_type(type_)
    match entry.method, entry.path[1:], entry.criteria:
        case "POST", [], None:
            return interactions.plan_create(session, type_, entry.if_none_exist)
        case "PUT", [id_], None:
            return interactions.plan_update(session, type_, id_, resource, entry.if_match)
        case "PUT", [], str(criteria):
            return interactions.plan_conditional_update(session, type_, criteria, resource, entry.if_match)
        case _:
            raise Refusal(400, "invalid", "request.url must be Type for POST, Type/id or Type?criteria for PUT")


def _delete(session: Session, entry: _Entry) -> dict[str, Any]:
    if len(entry.path) != 2 or entry.criteria is not None:
        raise Refusal(400, "not-supported", "request.url must be Type/id for DELETE")
    interactions.check_type(entry.path[0])
    version = interactions.delete(session, entry.path[0], entry.path[1], entry.if_match)
    response = {"status": status_line(204)}
    if version is not None:
        response |= {"etag": version.etag, "lastModified": version.last_updated}
    return {"response": response}


def _refuse_overlap(entries: list[_Entry], plans: dict[int, InteractionPlan]) -> None:
    """One resource may be touched by one entry only (3.1.0.11.2), and a full URL names one entry."""
    seen: dict[str, int] = {}
    for entry in entries:
        plan = plans.get(entry.number)
        names = [entry.full_url] if entry.full_url and plan else []
        if plan is not None:
            names.append(f"{plan.type}/{plan.id}")
        elif entry.method == "DELETE":
            names.append("/".join(entry.path))
        for name in names:
            if name in seen:
                raise Refusal(
                    400,
                    "duplicate",
                    f"{name} is also entry {seen[name]} of this transaction; each resource may appear once",
                    where=entry.place,
                )
            seen[name] = entry.number


def _refuse_doubles(session: Session, entry: _Entry, plan: InteractionPlan) -> None:
    """Criteria that find one more resource once the others are carried out would make a duplicate."""
    criteria = entry.if_none_exist or entry.criteria
    if criteria and set(matches(session, plan.type, criteria)) - {plan.id}:
        raise Refusal(400, "duplicate", "the criteria also find another entry of this transaction")


def _entry(number: int, element: Any, base: str) -> _Entry:
    request = element.get("request") if isinstance(element, dict) else None
    if not isinstance(request, dict) or not isinstance(request.get("url"), str):
        raise Refusal(400, "required", "each entry needs request.method and request.url (bdl-3)")
    method = _method(element)
    if method not in _ORDER:
        raise Refusal(400, "not-supported", f"request.method must be one of {', '.join(_ORDER)}")
    path, mark, criteria = request["url"].removeprefix(f"{base}/").partition("?")
    resource = element.get("resource")
    return _Entry(
        number=number,
        full_url=str(element.get("fullUrl", "")),
        method=method,
        path=path.split("/"),
        criteria=criteria if mark else None,
        if_match=str(request.get("ifMatch", "")),
        if_none_exist=str(request.get("ifNoneExist", "")),
        resource=resource if isinstance(resource, dict) else None,
    )


def _method(element: Any) -> str:
    request = element.get("request") if isinstance(element, dict) else None
    return str(request.get("method", "")) if isinstance(request, dict) else ""


def _of(entries: list[_Entry], method: str) -> list[_Entry]:
    return [entry for entry in entries if entry.method == method]


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise Refusal(400, "structure", "Bundle.entry must be a list")
    return value


@contextmanager
def _placed(number: int) -> Iterator[None]:
    """A refusal inside names the entry."""
    try:
        yield
    except Refusal as refusal:
        raise refusal.at(f"Bundle.entry[{number}]") from None
