"""The addresses of the page: ``/``, ``/newborns/{id}``, ``/style.css``; nothing of it changes anything."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from typing import TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from adapter.catalogue import Catalogue, load_catalogue
from adapter.document.markup import Html
from adapter.loopback import is_for_here
from adapter.sandbox.guard import Guard
from adapter.sandbox.page import render
from adapter.sandbox.page.shown import newborn, newborns
from adapter.sandbox.refusal import Refusal
from adapter.sandbox.store import Store

# No script, no frame, no form, nothing from elsewhere, even if a resource should get markup past the escaping.
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none';"
    " frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}

T = TypeVar("T")


def page_routes(store: Store, guard: Guard, catalogue: Catalogue | None) -> list[Route]:
    """The routes; without ``catalogue`` the shipped one says what an exam is expected to cover."""

    @cache
    def expected() -> Catalogue:
        return catalogue or load_catalogue()

    def route(path: str, show: Callable[[Request], Html | None]) -> Route:
        async def endpoint(request: Request) -> Response:
            return await _answer(request, guard, show)

        return Route(path, endpoint, methods=["GET"])

    def index(request: Request) -> Html:
        after = request.query_params.get("after", "")
        with store.session() as session:
            found, further = newborns(session, int(after) if re.fullmatch(r"\d{1,15}", after, re.ASCII) else 0)
        return render.index(found, further)

    def one(request: Request) -> Html | None:
        with store.session() as session:
            found = newborn(session, request.path_params["id"])
        return render.newborn_page(found, expected()) if found else None

    async def style(request: Request) -> Response:
        return Response((files(__package__) / "style.css").read_bytes(), 200, _HEADERS, "text/css")

    return [route("/", index), route("/newborns/{id}", one), Route("/style.css", style, methods=["GET"])]


async def _answer(request: Request, guard: Guard, show: Callable[[Request], Html | None]) -> Response:
    if not is_for_here(request):
        # A page of another site, whose name was made to lead here, is not to read what is on this machine.
        return _page(render.message("This page is for this machine: 127.0.0.1 or localhost."), 421)
    try:
        guard.check(request.headers.get("authorization", ""))
    except Refusal as refusal:
        response = _page(render.message("This server asks for a bearer token, which a browser does not send."), 401)
        response.headers.update(refusal.headers)
        return response
    content = await run_in_threadpool(show, request)
    if content is None:
        return _page(render.message("There is no such newborn here."), 404)
    return _page(content, 200)


def _page(content: Html, status: int) -> Response:
    return HTMLResponse(f"<!doctype html>{content}", status, _HEADERS)
