"""A server that does what R4 and HTTP allow and what real servers do, at the worst moment; drawn from a seed.

It is the sandbox, and between it and the client somebody who drops, repeats, delays and refuses; a search that knows
only what was written some time ago, or shows a part; a backup that is restored; a server that was replaced by another
one, where others lie under the ids that are remembered. It never refuses an exam for what is in it, so that whoever
gives one up for its own sake has been misled.
"""

from __future__ import annotations

import asyncio
import json
import random
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from starlette.types import Message, Scope

from adapter.fhir import json as fhir_json
from adapter.problems import AdapterError
from adapter.sandbox.app import BASE_PATH, create_app
from adapter.sandbox.store import Store

Headers = Mapping[str, str]
Answer = tuple[int, dict[str, str], bytes]
BASE = f"http://127.0.0.1:1{BASE_PATH}"
"""The address under which it answers; nothing listens there."""


class Silence(AdapterError):
    """No answer comes; what was asked may have been carried out, now or later."""


class Power(StrEnum):
    """What it may do with a request. ``lose``: carried out, no answer; ``fail``: carried out, and an error for an
    answer; ``late``, ``part``: a search knows what was written a while ago, or shows some of what it found;
    ``change``: the CapabilityStatement says now this, now that of transactions and batches; ``page``: something else
    answers in its place."""

    DROP = "drop"
    LOSE = "lose"
    FAIL = "fail"
    REPEAT = "repeat"
    DELAY = "delay"
    BUSY = "busy"
    BROKEN = "broken"
    PAGE = "page"
    TOKEN = "token"  # noqa: S105 (no password)
    LATE = "late"
    PART = "part"
    CHANGE = "change"


_OF_SEARCHES = frozenset({Power.LATE, Power.PART})
_PAGES: tuple[Answer, ...] = (
    (404, {"content-type": "text/html"}, b"<html>Not found</html>"),
    (302, {"content-type": "text/html", "location": "https://login.invalid/"}, b"<html>Sign in</html>"),
    (200, {"content-type": "text/html"}, b"<html>Sign in</html>"),
    (403, {"content-type": "text/html"}, b"<html>Blocked</html>"),
)
_BUSY = ("1", "31536000", "Fri, 31 Dec 9999 23:59:59 GMT", "")


@dataclass(frozen=True, slots=True)
class _Asked:
    method: str
    path: str
    query: str
    headers: tuple[tuple[str, str], ...]
    body: bytes

    @property
    def is_search(self) -> bool:
        """Of one kind, or of several in a Bundle."""
        if self.method == "POST" and not self.path.strip("/"):
            return {entry["request"]["method"] for entry in fhir_json.loads(self.body)["entry"]} == {"GET"}
        return self.method == "GET" and bool(self.query)


@dataclass
class Adversary:
    """``powers`` are what it may do, ``often`` how often it does any of that; while it is ``calm`` it does nothing.

    ``others`` are the resources of others that lie on it, by ``Type/id``: nobody here may write them.
    """

    seed: int
    powers: frozenset[Power] = frozenset(Power)
    often: float = 0.4
    calm: bool = False
    others: dict[str, bytes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._chance, self._lock = random.Random(self.seed), threading.Lock()  # noqa: S311
        self._store, self._earlier = Store(), Store()
        self._app, self._earlier_app = create_app(self._store), create_app(self._earlier)
        self._loop = asyncio.new_event_loop()
        self._delayed: list[_Asked] = []
        self.done: dict[Power, int] = dict.fromkeys(Power, 0)

    def close(self) -> None:
        """Let everything go."""
        self._loop.run_until_complete(self._loop.shutdown_default_executor())
        self._loop.close()
        self._store.close()
        self._earlier.close()

    def answer(self, method: str, path: str, query: str, headers: Headers, body: bytes) -> Answer:
        """The answer to one request. Raises :class:`Silence`."""
        asked = _Asked(method, path, query, tuple(headers.items()), body)
        with self._lock:
            self._carry_out_what_was_delayed()
            return self._straight(asked) if self.calm else self._with(self._drawn(asked), asked)

    def back_up(self) -> bytes:
        """Its whole content; what a search that is late knows from now on is of this moment too."""
        with self._lock:
            backup = self._store.backup()
            self._earlier.restore(backup)
            return backup

    def restore(self, backup: bytes) -> None:
        """Be as in a backup again. What was on its way is lost with the machine."""
        with self._lock:
            self._delayed.clear()
            self._store.restore(backup)
            self._earlier.restore(backup)
            self.others = {place: content for place, content in self.others.items() if self._plain(place) == content}

    def replace(self) -> None:
        """Be another server, on which others lie under the ids that are known from this one."""
        with self._lock:
            mine = self._held()
            empty = Store()
            self._delayed.clear()
            self.others.clear()
            self._store.restore(empty.backup())
            empty.close()
            for number, resource in enumerate(_of_others(mine)):
                content = fhir_json.dumps(resource)
                place = f"{resource['resourceType']}/{resource['id']}"
                made = self._straight(
                    _Asked("PUT", f"/{place}", "", (("content-type", "application/fhir+json"),), content)
                )
                assert made[0] in (200, 201), (number, made)
                self.others[place] = self._plain(place)
            self._earlier.restore(self._store.backup())

    def touched(self) -> list[str]:
        """What of others is not as it lay there."""
        with self._lock:
            return [place for place, content in self.others.items() if self._plain(place) != content]

    def held(self) -> list[dict[str, Any]]:
        """Every Observation, Patient and DiagnosticReport on it."""
        with self._lock:
            return self._held()

    def _held(self) -> list[dict[str, Any]]:
        with self._store.session() as session:
            return [
                one for kind in ("Patient", "Observation", "DiagnosticReport") for one in session.changed(kind, -1)
            ]

    def _plain(self, place: str) -> bytes:
        with self._store.session() as session:
            found = session.current(*place.split("/"))
        return b"" if found is None or found.resource is None else fhir_json.dumps(found.resource)

    def _drawn(self, asked: _Asked) -> Power | None:
        able = {
            power
            for power in self.powers
            if (power not in _OF_SEARCHES or asked.is_search)
            and (power is Power.CHANGE) == (asked.path == "/metadata")
            and (power is not Power.DELAY or asked.method != "GET")
        }
        if not able or self._chance.random() >= self.often:
            return None
        return self._chance.choice(sorted(able))

    def _with(self, power: Power | None, asked: _Asked) -> Answer:
        if power is None:
            return self._straight(asked)
        self.done[power] += 1
        match power:
            case Power.DROP:
                raise Silence
            case Power.DELAY:
                self._delayed.append(asked)
                raise Silence
            case Power.LOSE:
                self._straight(asked)
                raise Silence
            case Power.FAIL:
                self._straight(asked)
                return _refusal(self._chance.choice((500, 502, 504)), "exception")
            case Power.REPEAT:
                self._straight(asked)
                return self._straight(asked)
            case Power.BUSY:
                status, _, content = _refusal(self._chance.choice((429, 503)), "throttled")
                return status, {"retry-after": self._chance.choice(_BUSY), **_FHIR}, content
            case Power.BROKEN:
                return _refusal(self._chance.choice((500, 502, 504)), "exception")
            case Power.PAGE:
                return self._chance.choice(_PAGES)
            case Power.TOKEN:
                return _refusal(401, "login")
            case Power.LATE:
                return self._straight(asked, earlier=True)
            case Power.PART:
                return self._in_part(self._straight(asked))
            case Power.CHANGE:
                return self._changed(self._straight(asked))

    def _in_part(self, answer: Answer) -> Answer:
        status, headers, content = answer
        bundle = fhir_json.loads(content)
        several = bundle.get("type") in ("batch-response", "transaction-response")
        for found in [entry.get("resource", {}) for entry in bundle["entry"]] if several else [bundle]:
            if found.get("entry"):
                found["entry"] = [entry for entry in found["entry"] if self._chance.random() < 0.7]
        return status, headers, fhir_json.dumps(bundle)

    def _changed(self, answer: Answer) -> Answer:
        status, headers, content = answer
        statement = fhir_json.loads(content)
        kept = self._chance.choice(({"transaction", "batch"}, {"transaction"}, {"batch"}, set()))
        for rest in statement["rest"]:
            rest["interaction"] = [one for one in rest.get("interaction", []) if one["code"] in kept]
        return status, headers, fhir_json.dumps(statement)

    def _carry_out_what_was_delayed(self) -> None:
        for asked in list(self._delayed):
            if self.calm or self._chance.random() < 0.3:
                self._delayed.remove(asked)
                self._straight(asked)

    def _straight(self, asked: _Asked, *, earlier: bool = False) -> Answer:
        """As the sandbox answers."""
        return self._loop.run_until_complete(_through(self._earlier_app if earlier else self._app, asked))


_FHIR = {"content-type": "application/fhir+json"}


def _refusal(status: int, code: str) -> Answer:
    issue = {"severity": "error", "code": code}
    return status, dict(_FHIR), json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}).encode()


def _of_others(resources: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Resources of other newborns under the same ids, in an order in which each finds what it refers to."""
    found = []
    patients = [one["id"] for one in resources if one["resourceType"] == "Patient"]
    for number, one in enumerate(resources):
        made = {
            "resourceType": one["resourceType"],
            "id": one["id"],
            "identifier": [{"system": "urn:oid:2.999.9", "value": f"another-{number}"}],
        }
        if one["resourceType"] != "Patient":
            subject = {"reference": f"Patient/{patients[number % len(patients)]}"}
            made |= {"status": "final", "code": {"text": "of another"}, "subject": subject}
        found.append(made)
    return found


async def _through(app: Any, asked: _Asked) -> Answer:
    """One request through an ASGI application."""
    headers = [(b"host", b"127.0.0.1:1"), *((k.lower().encode(), v.encode("latin-1")) for k, v in asked.headers)]
    headers = [(name, value) for name, value in headers if name not in (b"accept-encoding", b"content-length")]
    scope: Scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": asked.method,
        "scheme": "http",
        "path": BASE_PATH + asked.path,
        "raw_path": (BASE_PATH + asked.path).encode(),
        "query_string": asked.query.encode(),
        "root_path": "",
        "headers": headers,
        "server": ("127.0.0.1", 1),
        "client": ("127.0.0.1", 2),
    }
    said: list[Message] = []
    over = False

    async def receive() -> Message:
        nonlocal over
        if over:
            return {"type": "http.disconnect"}
        over = True
        return {"type": "http.request", "body": asked.body, "more_body": False}

    async def send(message: Message) -> None:
        said.append(message)

    await app(scope, receive, send)
    start = next(one for one in said if one["type"] == "http.response.start")
    content = b"".join(one.get("body", b"") for one in said if one["type"] == "http.response.body")
    answered = {name.decode(): value.decode("latin-1") for name, value in start["headers"]}
    return int(start["status"]), answered, content
