"""Whose fault a failure of a FHIR server is, and so what is done about it.

| what came back | what is done |
|---|---|
| no answer, half an answer, 5xx, 408, 425, 429, an answer that is not FHIR | again, later, the same bytes |
| 409, 412 | again, after reading what is there now; a resource that is there twice is for a person |
| 401, nothing but failures from the server | the server's fault or ours, not the exam's: all wait |
| no token for us, not a server of FHIR R4 | the run ends, all stays queued |
| other 4xx, 3xx | given up with the server's reasons |

FHIR R4 http.html (3.1.0.5, 3.1.0.8.1, 3.1.0.11.2); RFC 9110 sections 10.2.3, 15.5 and 15.6.
"""

from __future__ import annotations

from adapter.send.failures import Closed, Failed, Rejected, Unavailable, Undelivered, Unreachable
from adapter.send.rest.answers import Barred, ServerRefused

_AGAIN = frozenset({408, 409, 412, 425, 429})


def blamed(error: Unreachable | ServerRefused) -> type[Undelivered]:
    """The kind of failure, before the server has been asked whether it is well."""
    if isinstance(error, Unreachable):
        return Failed
    if isinstance(error, Barred):
        return Closed
    if error.status == 401:
        return Unavailable
    if error.status == 412 and any(problem.rule == "multiple-matches" for problem in error.problems):
        return Rejected
    if error.status in _AGAIN or error.status >= 500 or 200 <= error.status < 300:
        return Failed
    return Rejected
