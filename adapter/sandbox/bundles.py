"""The bundles the server answers with: search sets and histories (R4 bundle.html; http.html 3.1.0.9, 3.1.0.12)."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any
from urllib.parse import urlencode

from adapter.sandbox.include import included
from adapter.sandbox.interactions import check_type
from adapter.sandbox.refusal import Refusal, outcome
from adapter.sandbox.search import Query
from adapter.sandbox.store import Session, Version


def status_line(status: int) -> str:
    """``201 Created``: what Bundle.entry.response.status holds."""
    return f"{status} {HTTPStatus(status).phrase}"


def search_set(session: Session, query: Query, base: str) -> dict[str, Any]:
    """One page of a search's matches, with ``total`` and the links ``self`` and, when there is more, ``next``.

    The self link names only the parameters that were used (R4 search, server conformance); an
    OperationOutcome names those that were ignored. The next link goes on after the last resource shown, so
    that what is created or deleted meanwhile makes none be skipped or repeated.
    """
    total, page = session.page(query.type, (query.sql, query.arguments), query.sort, query.after, query.count + 1)
    shown = page[: query.count]
    where = f"{base}/{query.type}"
    links = [{"relation": "self", "url": _url(where, [*query.used, *_after(query.after)])}]
    if len(page) > query.count and shown:
        links.append({"relation": "next", "url": _url(where, [*query.used, *_after(shown[-1][0])])})
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "searchset", "total": total, "link": links}
    matches = [version for _, version in shown]
    entries = [_found(version, base, "match") for version in matches]
    entries += [_found(v, base, "include") for v in included(session, matches, query.includes, base)]
    if query.ignored:
        ignored = outcome("warning", "not-supported", f"ignored: {', '.join(query.ignored)}")
        entries.append({"resource": ignored, "search": {"mode": "outcome"}})
    if entries:
        bundle["entry"] = entries
    return bundle


def _found(version: Version, base: str, mode: str) -> dict[str, Any]:
    full_url = f"{base}/{version.type}/{version.id}"
    return {"fullUrl": full_url, "resource": version.resource, "search": {"mode": mode}}


def _after(place: tuple[int, ...]) -> list[tuple[str, str]]:
    return [("_after", ",".join(map(str, place)))] if place else []


def history(session: Session, type_: str, id_: str, base: str) -> dict[str, Any]:
    """All versions of one resource, newest first; a deletion is an entry without a resource (3.1.0.12)."""
    check_type(type_)
    versions = session.history(type_, id_)
    if not versions:
        raise Refusal(404, "not-found", f"{type_}/{id_} is not here")
    where = f"{base}/{type_}/{id_}"
    return {
        "resourceType": "Bundle",
        "type": "history",
        "total": len(versions),
        "link": [{"relation": "self", "url": f"{where}/_history"}],
        "entry": [_past(v, where) for v in versions],
    }


def _past(version: Version, where: str) -> dict[str, Any]:
    entry: dict[str, Any] = {"fullUrl": where}
    if version.resource is not None:
        entry["resource"] = version.resource
    url = version.type if version.method == "POST" else f"{version.type}/{version.id}"
    entry["request"] = {"method": version.method, "url": url}
    made = {"POST": 201, "DELETE": 204}.get(version.method, 201 if version.version == 1 else 200)
    entry["response"] = {
        "status": status_line(made),
        "etag": version.etag,
        "lastModified": version.last_updated,
    }
    return entry


def _url(where: str, pairs: list[tuple[str, str]]) -> str:
    return f"{where}?{urlencode(pairs)}" if pairs else where
