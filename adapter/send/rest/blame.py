"""Whose fault a failure of a FHIR server is, and so what is done about it.

| what came back | whose | what is done |
|---|---|---|
| no answer, half an answer | network | again, later; held against an exam where others arrive; or all wait |
| a certificate that is not accepted, on either side | certificate | the run ends, all stays queued |
| no token for us, 401 | token | the same; where the authorisation server is away: all wait |
| 403 for want of a scope (RFC 6750) | scope | the run ends, all stays queued |
| 403 for want of a right | scope | again, later; held against an exam only where others arrive |
| anything that is not FHIR: a page, a redirect | gateway | the same |
| 429, 5xx | server | the same |
| 408, 425; an answer that is no answer to what was asked | server | again, later, and counted |
| 409, 412 | server | again, after reading what is there now; a resource that is there twice is for a person |
| not a server of FHIR R4 | server | the run ends, all stays queued |
| other 4xx, 3xx of FHIR | exam | given up with the server's reasons |

FHIR R4 http.html (3.1.0.5, 3.1.0.8.1, 3.1.0.11.2); RFC 9110 sections 10.2.3, 15.5 and 15.6.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from adapter.problems import Problem
from adapter.send.failures import (
    TO_DO,
    Ailing,
    Cause,
    Closed,
    Failed,
    Rejected,
    Unavailable,
    Undelivered,
    Unreachable,
    problem,
)
from adapter.send.rest.answers import Barred, ServerRefused

_AGAIN = frozenset({408, 409, 412, 425})
_NO_RIGHT = frozenset({"forbidden", "login", "security", "expired", "suppressed"})


def blamed(error: Unreachable | ServerRefused) -> tuple[type[Undelivered], Cause]:
    """The kind of failure, before the server has been asked whether it is well, and where the trouble lies."""
    if isinstance(error, Unreachable):
        kind = {Cause.CERTIFICATE: Closed, Cause.TOKEN: Unavailable}.get(error.cause, Ailing)
        return kind, error.cause
    if isinstance(error, Barred):
        return Closed, error.cause or Cause.SERVER
    if error.status == 401 or error.cause is Cause.TOKEN:
        return Unavailable, Cause.TOKEN
    if error.cause is Cause.SCOPE:
        return Closed, Cause.SCOPE
    if not error.is_fhir and error.status not in _AGAIN and error.status < 500:
        return Ailing, Cause.GATEWAY
    return _of_fhir(error)


def _of_fhir(error: ServerRefused) -> tuple[type[Undelivered], Cause]:
    rules = {one.rule for one in error.problems}
    if error.status == 412 and "multiple-matches" in rules:
        return Rejected, Cause.EXAM
    if error.status == 403 and rules & _NO_RIGHT:
        return Ailing, Cause.SCOPE
    if error.status >= 500 or error.status == 429:
        return Ailing, Cause.SERVER
    if error.status in _AGAIN or 200 <= error.status < 300:
        return Failed, Cause.SERVER
    return Rejected, Cause.EXAM


_LEADS = {
    Cause.GATEWAY: "something that is no FHIR server answered, with {status}",
    Cause.SCOPE: "this client may not do that on the server (403)",
}


def reasons(error: ServerRefused, cause: Cause) -> list[Problem]:
    """What is told of a refusal: whose it is and the one thing to do, and what the server said."""
    found: Sequence[Problem] = error.problems
    if cause is Cause.EXAM:
        return list(found)
    if cause in _LEADS:
        lead = problem(cause.value, _LEADS[cause].format(status=error.status), TO_DO[cause])
        return [lead, *(found if error.is_fhir else ())]
    first, *rest = found
    return [replace(first, remedy=first.remedy or TO_DO[cause]), *rest]
