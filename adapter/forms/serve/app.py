"""The web application: ``GET /`` is the page, ``POST /records`` hands one record over, ``GET /exams?id=`` says where
those are that were handed over, ``GET /ward`` which newborns the hospital's server has; beside the page lies what
lets it open again without network (:mod:`adapter.forms.serve.offline`). Nothing else is there.

It listens on the loopback address. A page of another site can neither post here nor read what is here
(:mod:`adapter.loopback`); a request must carry JSON, which a browser sends across sites only after it has asked, and
this server never answers that question with yes (Fetch, CORS protocol). It logs nothing, since all of it is patients'
data.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from http import HTTPStatus
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from adapter.forms.serve.filing import Answer, Filing, refusal
from adapter.forms.serve.offline import offline_files
from adapter.loopback import bind, in_a_thread, is_for_here, is_from_here, quiet_server, run_in_front, url_of
from adapter.problems import AdapterError

MOST_BYTES = 1024 * 1024
"""The largest record that is taken; an exam of every item with notes has about a tenth of it."""

Followed = Callable[[Sequence[str]], Mapping[str, Mapping[str, Any]]]
"""Says of each of these exams, by its id, where it is: ``state`` and ``why``, a list of ``rule`` and ``remedy``."""

Ward = Callable[[], Mapping[str, Any]]
"""The newborns that the hospital's server has now, as the page reads them; raises what reading raises."""

_MOST_IDS = 200
_EXAM_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_MEDIA_TYPES = ("application/json", "application/fhir+json")
_HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    # The page is one file: its script and style stand in it, and it speaks to this server alone.
    "Content-Security-Policy": "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline';"
    " img-src 'self' data: blob:; connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none';"
    " form-action 'none'; frame-ancestors 'none'",
}


def create_app(
    page: bytes,
    filing: Filing,
    followed: Followed | None = None,
    ward: Ward | None = None,
    behind: str | None = None,
) -> Starlette:
    """The application that shows ``page`` (HTML), files records with ``filing``, says where they are (``followed``;
    without it every exam is unknown) and which newborns there are (``ward``; without it, nothing is there).
    ``behind``: the address by which a reverse proxy shows it, whose pages are then its own as well."""
    shown = {"/": ("text/html", page), **offline_files(page, filing.words)}

    async def show(request: Request) -> Response:
        if not is_for_here(request, behind):
            return _written(_not_here())
        media_type, content = shown[request.url.path]
        return Response(content, HTTPStatus.OK, _HEADERS, media_type)

    async def post(request: Request) -> Response:
        return _written(_refused(request, behind) or await _filed(request, filing))

    async def exams(request: Request) -> Response:
        if (refused := _stranger(request, behind)) is not None:
            return _written(refused)
        named = request.query_params.getlist("id")
        if not named or len(named) > _MOST_IDS or not all(_EXAM_ID.fullmatch(one) for one in named):
            what, remedy = "these are no exam ids", f"id=EXAM, once to {_MOST_IDS} times"
            return _written(refusal(HTTPStatus.BAD_REQUEST, "exam-id", what, remedy))
        try:
            found = await run_in_threadpool(followed, named) if followed else {}
        except (AdapterError, OSError):
            what, remedy = "the drop folder or the outbox cannot be read", "whoever looks after this machine"
            return _written(refusal(HTTPStatus.SERVICE_UNAVAILABLE, "cannot-read", what, remedy))
        return JSONResponse({"exams": found}, HTTPStatus.OK, _HEADERS)

    async def newborns(request: Request) -> Response:
        if (refused := _stranger(request, behind)) is not None:
            return _written(refused)
        if ward is None:
            raise HTTPException(HTTPStatus.NOT_FOUND)
        try:
            return JSONResponse(await run_in_threadpool(ward), HTTPStatus.OK, _HEADERS)
        except AdapterError:
            what, remedy = (
                "the hospital's server does not give its list now",
                "the list as it was, or typing in",
            )
            return _written(refusal(HTTPStatus.BAD_GATEWAY, "server-away", what, remedy))

    async def failed(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else HTTPStatus.INTERNAL_SERVER_ERROR
        if status == HTTPStatus.INTERNAL_SERVER_ERROR:
            what, remedy = "a fault of the program", "keep the record, or save it as a file; it is NOT handed over"
            return _written(refusal(status, "internal-fault", what, remedy))
        return _written(
            refusal(status, "no-such-address", "there is nothing here", "GET /, GET /exams or POST /records")
        )

    return Starlette(
        routes=[
            *(Route(path, show, methods=["GET"]) for path in shown),
            Route("/exams", exams, methods=["GET"]),
            Route("/ward", newborns, methods=["GET"]),
            Route("/records", post, methods=["POST"]),
        ],
        exception_handlers={HTTPException: failed, Exception: failed},
    )


def serve(
    page: bytes,
    filing: Filing,
    port: int,
    ready: Callable[[str], None],
    *,
    followed: Followed | None = None,
    ward: Ward | None = None,
    behind: str | None = None,
) -> None:
    """Serve in the foreground until the process is told to stop; ``ready`` is called with the address first.

    Port 0 takes any free one. Raises :class:`adapter.loopback.CannotServe`, and ``KeyboardInterrupt`` after a clean
    stop by Ctrl-C or SIGTERM.
    """
    with closing(bind("127.0.0.1", port)) as bound:
        ready(url_of("127.0.0.1", bound) + "/")
        run_in_front(quiet_server(create_app(page, filing, followed, ward, behind)), bound)


@contextmanager
def running(
    page: bytes,
    filing: Filing,
    port: int = 0,
    *,
    followed: Followed | None = None,
    ward: Ward | None = None,
    behind: str | None = None,
) -> Iterator[str]:
    """The server in a thread of this process, as a context: its address. Raises :class:`CannotServe`."""
    server = quiet_server(create_app(page, filing, followed, ward, behind))
    with closing(bind("127.0.0.1", port)) as bound, in_a_thread(server, bound, "form"):
        yield url_of("127.0.0.1", bound) + "/"


def _refused(request: Request, behind: str | None) -> Answer | None:
    """Why a request is not even read, or None."""
    if (stranger := _stranger(request, behind)) is not None:
        return stranger
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type not in _MEDIA_TYPES:
        remedy = f"Content-Type {' or '.join(_MEDIA_TYPES)}"
        return refusal(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "not-json", "the request is not marked as JSON", remedy)
    return None


def _stranger(request: Request, behind: str | None) -> Answer | None:
    """Why a request is refused for where it comes from or goes to, or None."""
    if not is_for_here(request, behind):
        return _not_here()
    if not is_from_here(request, behind):
        what = "the request comes from another page than the one of this server"
        return refusal(HTTPStatus.FORBIDDEN, "other-origin", what, "the page at / of this address")
    return None


def _not_here() -> Answer:
    what = "the request names another machine than this one"
    return refusal(HTTPStatus.MISDIRECTED_REQUEST, "other-host", what, "127.0.0.1 or localhost")


async def _filed(request: Request, filing: Filing) -> Answer:
    body = bytearray()
    try:
        async for piece in request.stream():
            body += piece
            if len(body) > MOST_BYTES:
                what, remedy = f"more than {MOST_BYTES} bytes", "one record"
                return refusal(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "too-large", what, remedy)
    except ClientDisconnect:
        return refusal(HTTPStatus.BAD_REQUEST, "cut-off", "the request broke off", "the whole record")
    return await run_in_threadpool(filing.file, bytes(body))


def _written(one: Answer) -> Response:
    return JSONResponse(one.body, one.status, _HEADERS)
