"""The interactions of the RESTful API on single resources, inside one session of the store.

FHIR R4 RESTful API (http.html): read 3.1.0.2, vread 3.1.0.3, update 3.1.0.4, contention 3.1.0.5,
delete 3.1.0.7, create 3.1.0.8, history 3.1.0.12. Requests on a single resource and the entries of a bundle
go through the same functions.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from adapter.fhir import json as fhir_json
from adapter.problems import Layer, Problem, Severity
from adapter.sandbox.parameters import PARAMETERS, index_rows
from adapter.sandbox.references import unresolved
from adapter.sandbox.refusal import Refusal
from adapter.sandbox.search import matches
from adapter.sandbox.store import IndexRow, Session, Version
from adapter.validate import validate

#: What an incoming resource must pass before it is kept.
LAYERS = (Layer.STRUCTURE, Layer.INVARIANTS, Layer.BUNDLE)

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}", re.ASCII)
_ETAG = re.compile(r'(?:W/)?"(\d{1,15})"', re.ASCII)


@dataclass(frozen=True, slots=True)
class InteractionPlan:
    """Where a write will go, decided before anything is written.

    ``current`` is the version that is there now, a deletion too. ``write`` is False for a conditional create that
    found its resource: nothing is done to it.
    """

    type: str
    id: str
    method: str
    current: Version | None = None
    write: bool = True
    if_match: str = ""


def check_type(type_: str) -> None:
    """Refuse a resource type that this server does not keep (http.html 3.1.0.8: 404)."""
    if type_ not in PARAMETERS:
        raise Refusal(
            404, "not-supported", f"resource type {type_} is not kept here; kept are {', '.join(PARAMETERS)}"
        )


def check_resource(resource: Any, type_: str) -> dict[str, Any]:
    """Validate what came in; 400 if it is not a resource of ``type_``, 422 with all issues if invalid."""
    if not isinstance(resource, dict) or resource.get("resourceType") != type_:
        raise Refusal(400, "invalid", f"the content must be one resource of the type in the URL, {type_}")
    refuse_invalid(validate(resource, layers=LAYERS))
    return resource


def refuse_invalid(problems: Iterable[Problem]) -> None:
    """Raise 422 (http.html 3.1.0.4.2, business rules) if any problem is an error."""
    problems = list(problems)
    if any(p.severity in (Severity.ERROR, Severity.FATAL) for p in problems):
        raise Refusal(422, "invalid", "the resource is not valid", problems=problems)


def plan_create(session: Session, type_: str, if_none_exist: str = "") -> InteractionPlan:
    """Create (3.1.0.8), conditional when there are criteria (3.1.0.8.1): 412 when several match."""
    if if_none_exist:
        found = matches(session, type_, if_none_exist)
        if len(found) > 1:
            raise Refusal(412, "multiple-matches", f"{len(found)} {type_} resources match the criteria")
        if found:
            return InteractionPlan(type_, found[0], "POST", session.current(type_, found[0]), write=False)
    return InteractionPlan(type_, str(uuid4()), "POST")


def plan_update(
    session: Session, type_: str, id_: str, resource: dict[str, Any], if_match: str = ""
) -> InteractionPlan:
    """Update by id (3.1.0.4), also of a resource that is not there yet (3.1.0.4.1, update as create)."""
    if not _ID.fullmatch(id_):
        raise Refusal(400, "value", "an id is 1 to 64 letters, digits, hyphens and points")
    if resource.get("id") != id_:
        raise Refusal(400, "invalid", f"{type_}.id must be there and be the id in the URL")
    return InteractionPlan(type_, id_, "PUT", session.current(type_, id_), if_match=if_match)


def plan_conditional_update(
    session: Session, type_: str, criteria: str, resource: dict[str, Any], if_match: str = ""
) -> InteractionPlan:
    """Update by criteria (3.1.0.4.3).

    None found: create, under the resource's own id if it has one (409 if that is taken). One found: update
    it; 400 if the resource names another id. Several: 412.
    """
    found = matches(session, type_, criteria)
    own = resource.get("id")
    if len(found) > 1:
        raise Refusal(412, "multiple-matches", f"{len(found)} {type_} resources match the criteria")
    if found:
        if own is not None and own != found[0]:
            raise Refusal(400, "invalid", f"the criteria find {type_}/{found[0]}, the resource's id is another")
        return InteractionPlan(type_, found[0], "PUT", session.current(type_, found[0]), if_match=if_match)
    if own is None:
        return InteractionPlan(type_, str(uuid4()), "PUT", if_match=if_match)
    current = session.current(type_, own)
    if current is not None and current.resource is not None:
        raise Refusal(409, "conflict", f"the criteria find nothing, but {type_}/{own} is there already")
    return InteractionPlan(type_, own, "PUT", current, if_match=if_match)


def carry_out(session: Session, plan: InteractionPlan, resource: dict[str, Any]) -> tuple[int, Version]:
    """Write and index a planned create or update of a single resource; as :func:`write`."""
    if plan.write:
        refuse_unresolved(resource)
        reindex(session, plan, (), resource)
    return write(session, plan, resource)


def write(session: Session, plan: InteractionPlan, resource: dict[str, Any]) -> tuple[int, Version]:
    """Write a planned create or update; the HTTP status (200 or 201) and the version that now is current.

    An update that says what the current version says makes no new version: sending the same thing twice
    changes nothing. Does not index.
    """
    current = plan.current
    if not plan.write:
        if current is None:
            raise Refusal(409, "conflict", f"{plan.type}/{plan.id} went away")
        return 200, current
    _check_version(plan, current)
    made = {**resource, "id": plan.id}
    if current is None or current.resource is None:
        return 201, session.put(plan.type, plan.id, made, plan.method)
    if same(current.resource, made):
        return 200, current
    return 200, session.put(plan.type, plan.id, made, plan.method)


def reindex(
    session: Session, plan: InteractionPlan, indexed: Iterable[IndexRow], made: dict[str, Any]
) -> list[IndexRow]:
    """Bring the index to ``made``; from ``indexed`` if that is there already, else from the current version."""
    old = list(indexed)
    if not old and plan.current is not None and plan.current.resource is not None:
        old = index_rows(plan.current.resource)
    rows = index_rows(made)
    session.index(plan.type, plan.id, old, rows)
    return rows


def refuse_unresolved(resource: dict[str, Any]) -> None:
    """Refuse with 422 what refers to ``urn:uuid:`` and the like that nothing resolves."""
    dangling = unresolved(resource)
    if dangling:
        raise Refusal(
            422,
            "not-found",
            f"{resource.get('resourceType')} refers to {dangling[0]}, which nothing here resolves;"
            " it must be the fullUrl of an entry of the same transaction",
        )


def delete(session: Session, type_: str, id_: str, if_match: str = "") -> Version | None:
    """Delete (3.1.0.7); None when there was nothing to delete, which is no error."""
    current = session.current(type_, id_)
    _check_version(InteractionPlan(type_, id_, "DELETE", if_match=if_match), current)
    if current is None or current.resource is None:
        return None
    session.index(type_, id_, index_rows(current.resource), ())
    return session.delete(type_, id_)


def read(session: Session, type_: str, id_: str) -> Version:
    """Read (3.1.0.2): 404 when it never was here, 410 when it was deleted."""
    return _present(session.current(type_, id_), f"{type_}/{id_}")


def vread(session: Session, type_: str, id_: str, version: str) -> Version:
    """Read a version (3.1.0.3): 404 when there is no such version, 410 when that version is a deletion."""
    number = int(version) if re.fullmatch(r"[1-9]\d{0,14}", version, re.ASCII) else 0
    return _present(session.version(type_, id_, number), f"{type_}/{id_}/_history/{version}")


def same(kept: dict[str, Any], sent: dict[str, Any]) -> bool:
    """Whether two resources say the same, digit for digit, but for the version that the server sets."""
    one, other = _bare(kept), _bare(sent)
    # Equal is not yet the same: 3.1 equals 3.10.
    return one == other and fhir_json.dumps(_sorted(one)) == fhir_json.dumps(_sorted(other))


def _bare(resource: dict[str, Any]) -> dict[str, Any]:
    meta = {k: v for k, v in resource.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    rest = {k: v for k, v in resource.items() if k != "meta"}
    return {**rest, "meta": meta} if meta else rest


def _sorted(node: Any) -> Any:
    if isinstance(node, dict):
        return {key: _sorted(node[key]) for key in sorted(node)}
    if isinstance(node, list):
        return [_sorted(element) for element in node]
    return node


def _check_version(plan: InteractionPlan, current: Version | None) -> None:
    """If-Match (3.1.0.5): 400 when it is no ETag, 412 when the current version is another."""
    if not plan.if_match:
        return
    match = _ETAG.fullmatch(plan.if_match.strip())
    if match is None:
        raise Refusal(400, "value", 'If-Match must be an ETag of this server, such as W/"3"')
    if current is None or current.version != int(match[1]):
        now = f"version {current.version}" if current else "not here"
        raise Refusal(412, "conflict", f"{plan.type}/{plan.id} is {now}, If-Match asks for version {match[1]}")


def _present(version: Version | None, where: str) -> Version:
    if version is None:
        raise Refusal(404, "not-found", f"{where} is not here")
    if version.resource is None:
        raise Refusal(410, "deleted", f"{where} was deleted")
    return version
