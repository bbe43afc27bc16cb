"""The web application: routes, and the way from an HTTP request to an interaction and back.

FHIR R4 RESTful API (http.html). Base path ``/fhir``. Every error is an OperationOutcome; the log names
method, resource type and status and nothing else, since paths and parameters may hold patient data.
"""

from __future__ import annotations

import logging
import traceback
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import datetime
from email.utils import format_datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from adapter.catalogue import Catalogue
from adapter.fhir.json import dumps
from adapter.loopback import is_for_here, is_from_here
from adapter.sandbox import bundles, capability, interactions, negotiation, operations, search, transaction
from adapter.sandbox.export import MEDIA_TYPE as NDJSON
from adapter.sandbox.export import Exports
from adapter.sandbox.guard import Guard
from adapter.sandbox.interactions import InteractionPlan
from adapter.sandbox.negotiation import MEDIA_TYPE, BodyLimits, Preference
from adapter.sandbox.page import page_routes
from adapter.sandbox.parameters import PARAMETERS
from adapter.sandbox.refusal import Refusal, outcome
from adapter.sandbox.store import Session, Store, Version
from adapter.sandbox.terminology import OPERATIONS, Definitions, own_definitions

BASE_PATH = "/fhir"

_LOG = logging.getLogger("adapter.sandbox")


@dataclass(frozen=True, slots=True)
class SandboxSettings:
    """How the server behaves.

    ``token_file`` makes it ask for a bearer token (:class:`Guard`); ``limits`` are those on request bodies;
    ``catalogue`` says on the web page what an exam should cover (the shipped one where it is None). Terminology
    operations answer from ``definitions`` (None: from the catalogue's package).
    """

    token_file: Path | None = None
    limits: BodyLimits = field(default_factory=BodyLimits)
    catalogue: Catalogue | None = None
    definitions: Definitions | None = None

    def terminology(self) -> Definitions:
        """What terminology operations answer from."""
        return self.definitions or own_definitions(self.catalogue)


@dataclass(slots=True)
class _Call:
    """One request, read: what the interactions below need of it."""

    store: Store
    settings: SandboxSettings
    base: str
    type: str
    id: str
    version: str
    query: list[tuple[str, str]]
    criteria: str
    prefer: Preference
    if_match: str
    if_none_exist: str
    content_type: str
    body: bytes = b""

    def resource(self) -> Any:
        """The resource in the body."""
        return negotiation.decode(self.body, self.content_type)


@dataclass(frozen=True, slots=True)
class _Reply:
    """An answer before it is put into a format; ``raw``: in its own, where it is no resource."""

    status: int
    resource: dict[str, Any] | None = None
    headers: dict[str, str] = field(default_factory=dict)
    raw: bytes | None = None
    media_type: str = "application/json"


def create_app(store: Store, settings: SandboxSettings = SandboxSettings()) -> Starlette:
    """The server as an ASGI application over ``store``."""
    guard, exports = Guard(settings.token_file), Exports()

    def route(path: str, **by_method: Callable[[_Call], _Reply]) -> Route:
        async def endpoint(request: Request) -> Response:
            act = by_method["GET" if request.method == "HEAD" else request.method]

            async def work() -> _Reply:
                if act is not _metadata:  # what the server can do is no secret
                    guard.check(request.headers.get("authorization", ""))
                return await _carry(request, act, store, settings)

            return await _answer(request, work)

        return Route(BASE_PATH + path, endpoint, methods=list(by_method))

    async def refused(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        code = {404: "not-found", 405: "not-supported"}.get(status, "processing")
        what = f"there is no {request.method} at this address; see {BASE_PATH}/metadata"

        async def refuse() -> _Reply:
            raise Refusal(status, code, what)

        response = await _answer(request, refuse)
        if isinstance(error, HTTPException) and error.headers:
            response.headers.update(error.headers)
        return response

    return Starlette(
        routes=[
            *page_routes(store, guard, settings.catalogue),
            route("", POST=_bundle),
            route("/", POST=_bundle),
            route("/metadata", GET=_metadata),
            route("/$export", GET=_export(exports)),
            route("/$export/{id}", GET=_export_state(exports), DELETE=_export_end(exports)),
            route("/$export/{id}/{type}.ndjson", GET=_export_file(exports)),
            route("/{type}", GET=_search, POST=_create, PUT=_conditional_update),
            route("/{type}/_search", POST=_search_by_form),
            route("/{type}/$validate", POST=_validate),
            *(route(f"/{type_}/{name}", GET=_operation(type_, name)) for type_, name in OPERATIONS),
            route("/{type}/{id}", GET=_read, PUT=_update, DELETE=_delete),
            route("/{type}/{id}/_history", GET=_history),
            route("/{type}/{id}/_history/{version}", GET=_vread),
        ],
        exception_handlers={HTTPException: refused},
        middleware=[Middleware(GZipMiddleware, minimum_size=1000, compresslevel=1)],
    )


async def _carry(request: Request, act: Callable[[_Call], _Reply], store: Store, settings: SandboxSettings) -> _Reply:
    """Read the request, then do the work in a thread: the store waits for its turn."""
    path, headers = request.path_params, request.headers
    call = _Call(
        store=store,
        settings=settings,
        base=f"{str(request.base_url).rstrip('/')}{BASE_PATH}",
        type=path.get("type", ""),
        id=path.get("id", ""),
        version=path.get("version", ""),
        query=parse_qsl(request.url.query, keep_blank_values=True),
        criteria=request.url.query,
        prefer=negotiation.preference(headers.getlist("prefer")),
        if_match=headers.get("if-match", ""),
        if_none_exist=headers.get("if-none-exist", ""),
        content_type=headers.get("content-type", ""),
    )
    if request.method in ("POST", "PUT"):
        encoding = headers.get("content-encoding", "").strip().lower()
        call.body = await negotiation.body(request.stream(), encoding, settings.limits)
    if call.type and act is not _validate:
        interactions.check_type(call.type)
    return await run_in_threadpool(act, call)


async def _answer(request: Request, work: Callable[[], Awaitable[_Reply]]) -> Response:
    """Run ``work`` and put its reply, or its refusal, into the format the client asks for."""
    format_: negotiation.Format = "json"
    try:
        _refuse_foreign(request)
        if not request.url.path.endswith(".ndjson"):
            format_ = negotiation.wanted(request.headers.get("accept", ""), request.query_params.get("_format"))
        response = _formatted(request, await work(), format_)
    except Refusal as refusal:
        response = _formatted(request, _Reply(refusal.status, refusal.outcome(), refusal.headers), format_)
    except ClientDisconnect:
        raise
    except Exception as error:
        # The message of an exception may hold patient data: the log gets its type and its place only.
        trace = "".join(traceback.format_tb(error.__traceback__))
        _LOG.error("%s failed inside: %s\n%s", request.method, type(error).__name__, trace)
        failure = outcome("fatal", "exception", "the server failed; its log says where")
        response = _formatted(request, _Reply(500, failure), "json")
    type_ = request.path_params.get("type")
    _LOG.info("%s %s %d", request.method, type_ if type_ in PARAMETERS else "-", response.status_code)
    return response


def _refuse_foreign(request: Request) -> None:
    """A page of another site, or a name of its own that it makes lead here, gets nothing."""
    if not is_for_here(request):
        raise Refusal(421, "forbidden", "this server is for this machine: 127.0.0.1 or localhost")
    if not is_from_here(request):
        raise Refusal(403, "forbidden", "the request comes from a page of another site")


def _formatted(request: Request, reply: _Reply, format_: negotiation.Format) -> Response:
    if reply.raw is not None:
        return Response(reply.raw, reply.status, reply.headers, reply.media_type)
    if reply.resource is None:
        return Response(status_code=reply.status, headers=reply.headers)
    pretty = request.query_params.get("_pretty") == "true"
    content = negotiation.encode(reply.resource, format_, pretty=pretty)
    media_type = f"{MEDIA_TYPE[format_]}; charset=utf-8"
    return Response(content, reply.status, reply.headers, media_type)


def _metadata(call: _Call) -> _Reply:
    return _Reply(200, capability.statement(call.base, tokens=call.settings.token_file is not None))


def _bundle(call: _Call) -> _Reply:
    bundle = call.resource()
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise Refusal(400, "invalid", "only a Bundle of type transaction or batch can be posted to the base")
    prefer = call.prefer.returned or "minimal"
    ask = call.settings.terminology
    return _Reply(200, transaction.process(call.store, bundle, base=call.base, prefer=prefer, terminology=ask))


def _validate(call: _Call) -> _Reply:
    mode = dict(call.query).get("mode", "")
    return _Reply(200, operations.validated(call.resource(), call.type, mode))


def _operation(type_: str, name: str) -> Callable[[_Call], _Reply]:
    return lambda call: _Reply(200, call.settings.terminology().answer(type_, name, dict(call.query)))


def _export(exports: Exports) -> Callable[[_Call], _Reply]:
    def begin(call: _Call) -> _Reply:
        if not call.prefer.asynchronous:
            raise Refusal(400, "not-supported", "$export is answered later: it needs Prefer: respond-async")
        request = f"{call.base}/$export?{call.criteria}"
        name = exports.begin(call.store, request, call.query, lenient=call.prefer.lenient)
        return _Reply(202, headers={"Content-Location": f"{call.base}/$export/{name}"})

    return begin


def _export_state(exports: Exports) -> Callable[[_Call], _Reply]:
    def state(call: _Call) -> _Reply:
        tokens = call.settings.token_file is not None
        manifest = exports.manifest(call.id, f"{call.base}/$export/{call.id}", tokens=tokens)
        if manifest is None:
            return _Reply(202, headers={"X-Progress": "being made", "Retry-After": "0"})
        return _Reply(200, raw=dumps(manifest))

    return state


def _export_file(exports: Exports) -> Callable[[_Call], _Reply]:
    return lambda call: _Reply(200, raw=exports.file(call.id, call.type), media_type=NDJSON)


def _export_end(exports: Exports) -> Callable[[_Call], _Reply]:
    def end(call: _Call) -> _Reply:
        exports.forget(call.id)
        return _Reply(202)

    return end


def _search(call: _Call) -> _Reply:
    query = search.parse(call.type, call.query, base=call.base, strict=call.prefer.strict)
    with call.store.session() as session:
        return _Reply(200, bundles.search_set(session, query, call.base))


def _search_by_form(call: _Call) -> _Reply:
    """Search by POST (3.1.0.9): the parameters of the form and those of the URL together."""
    if call.content_type.partition(";")[0].strip().lower() != "application/x-www-form-urlencoded":
        raise Refusal(415, "not-supported", "_search takes application/x-www-form-urlencoded")
    try:
        call.query += parse_qsl(call.body.decode("utf-8"), keep_blank_values=True)
    except UnicodeDecodeError:
        raise Refusal(400, "structure", "the form is not UTF-8") from None
    return _search(call)


def _create(call: _Call) -> _Reply:
    resource = interactions.check_resource(call.resource(), call.type)
    with call.store.session() as session:
        plan = interactions.plan_create(session, call.type, call.if_none_exist)
        return _written(call, session, plan, resource)


def _update(call: _Call) -> _Reply:
    resource = interactions.check_resource(call.resource(), call.type)
    with call.store.session() as session:
        plan = interactions.plan_update(session, call.type, call.id, resource, call.if_match)
        return _written(call, session, plan, resource)


def _conditional_update(call: _Call) -> _Reply:
    resource = interactions.check_resource(call.resource(), call.type)
    with call.store.session() as session:
        plan = interactions.plan_conditional_update(session, call.type, call.criteria, resource, call.if_match)
        return _written(call, session, plan, resource)


def _written(call: _Call, session: Session, plan: InteractionPlan, resource: dict[str, Any]) -> _Reply:
    status, version = interactions.carry_out(session, plan, resource)
    content = version.resource
    if call.prefer.returned == "minimal":
        content = None
    elif call.prefer.returned == "OperationOutcome":
        content = outcome("information", "informational", f"{version.location} is current")
    return _Reply(status, content, {"Location": f"{call.base}/{version.location}", **_version_headers(version)})


def _read(call: _Call) -> _Reply:
    with call.store.session() as session:
        version = interactions.read(session, call.type, call.id)
    return _Reply(200, version.resource, _version_headers(version))


def _vread(call: _Call) -> _Reply:
    with call.store.session() as session:
        version = interactions.vread(session, call.type, call.id, call.version)
    return _Reply(200, version.resource, _version_headers(version))


def _history(call: _Call) -> _Reply:
    with call.store.session() as session:
        return _Reply(200, bundles.history(session, call.type, call.id, call.base))


def _delete(call: _Call) -> _Reply:
    with call.store.session() as session:
        version = interactions.delete(session, call.type, call.id, call.if_match)
    return _Reply(204, None, {"ETag": version.etag} if version else {})


def _version_headers(version: Version) -> dict[str, str]:
    """ETag and Last-Modified (3.1.0.1; the latter in the form of RFC 9110)."""
    when = datetime.fromisoformat(version.last_updated)
    return {"ETag": version.etag, "Last-Modified": format_datetime(when, usegmt=True)}
