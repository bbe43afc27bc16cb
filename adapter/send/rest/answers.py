"""What a server says, read with care: what has another shape than FHIR's counts as absent."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

from adapter.problems import Layer, Problem, Severity
from adapter.send.failures import Cause, Refused
from adapter.send.words import GONE, issue_codes, kept

_ETAG = re.compile(r'(?:W/)?"([^"]*)"')
_PLACE = re.compile(r"(?:^|/)(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9\-.]{1,64})(?:/_history/(?P<version>[^/]+))?$")


_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_NOTHING_SAID = "does not say what is wrong"
_NOTHING_KEPT = "its words are not of those that are kept"


class ServerRefused(Refused):
    """A FHIR server did so.

    ``status`` is the HTTP status; ``problems`` what its OperationOutcome says, or one problem made from the
    status where it sent none; ``retry_after`` as in RFC 9110, section 10.2.3; ``outcomes`` what became of the entries
    that it did answer to. ``is_fhir`` says whether the answer was FHIR, ``page`` whether it was anything else, though
    not nothing, ``cause`` where the trouble lies if that is known.
    """

    def __init__(
        self,
        status: int,
        problems: Sequence[Problem],
        retry_after: float | None = None,
        *,
        is_fhir: bool = True,
        page: bool = False,
        cause: Cause | None = None,
    ) -> None:
        super().__init__(f"the server answered {status}: {problems[0].what}", problems, retry_after)
        self.status, self.is_fhir, self.page, self.cause = status, is_fhir, page, cause
        self.outcomes: list[EntryOutcome] = []

    def says(self, *statuses: int) -> bool:
        """Whether the FHIR server itself says one of these: that something is not there, or not to be had.

        A gateway's page says nothing of what the server holds.
        """
        return self.status in statuses and not self.page

    @property
    def shows_none(self) -> bool:
        """Whether the server has no resources of the type that was asked for, or shows us none."""
        return self.says(400, 403, 404, 405, 501)


class Barred(ServerRefused):
    """Nothing can be sent there, whatever the exam: no token for us, or not a server of FHIR R4."""


@dataclass(frozen=True, slots=True)
class EntryOutcome:
    """What became of one entry of a transaction or batch.

    ``full_url`` is the entry's own, as sent; ``status`` the HTTP status; ``location`` the place of the
    version that now is current, ``etag`` and ``version`` its version id, empty where the server says none;
    ``outcome_problems`` what the server remarks on the entry.
    """

    full_url: str
    status: int
    location: str = ""
    etag: str = ""
    version: str = ""
    outcome_problems: tuple[Problem, ...] = ()

    @property
    def well(self) -> bool:
        """Whether the entry was carried out."""
        return 200 <= self.status < 300

    @property
    def place(self) -> str:
        """``Type/id``, or nothing where the server did not say where the resource is."""
        match = _PLACE.search(self.location)
        return f"{match['type']}/{match['id']}" if match else ""


def object_(value: Any) -> dict[str, Any]:
    """The value if it is an object, else an empty one."""
    return value if isinstance(value, dict) else {}


def objects(value: Any) -> list[dict[str, Any]]:
    """The objects in a list."""
    return [element for element in value if isinstance(element, dict)] if isinstance(value, list) else []


def text(node: dict[str, Any], key: str) -> str:
    """A property that is text, else nothing."""
    value = node.get(key)
    return value if isinstance(value, str) else ""


def outcome(
    full_url: str, status: str, location: str, etag: str, remarks: Any, *, all_words: bool = False
) -> EntryOutcome:
    """An entry's response; a status that is not a number counts as a failure of the server (500)."""
    number = re.match(r"[1-5]\d\d\b", status)
    match, place = _ETAG.fullmatch(etag), _PLACE.search(location)
    version = match[1] if match else (place["version"] or "") if place else ""
    version = version if _ID.fullmatch(version) else ""
    return EntryOutcome(
        full_url=full_url,
        status=int(number[0]) if number else 500,
        location=location if place else "",
        etag=etag if version else "",
        version=version,
        outcome_problems=tuple(problems_of(object_(remarks), status, all_words=all_words)),
    )


def entry_outcome(full_url: str, response: dict[str, Any], *, all_words: bool = False) -> EntryOutcome:
    """The outcome of an entry from ``Bundle.entry.response``."""
    return outcome(
        full_url,
        text(response, "status"),
        text(response, "location"),
        text(response, "etag"),
        response.get("outcome"),
        all_words=all_words,
    )


def problems_of(resource: dict[str, Any], status: object = "", *, all_words: bool = False) -> list[Problem]:
    """The issues of an OperationOutcome; none for anything else. Of its words what is kept of any receiver's
    (:mod:`adapter.send.words`), or all; where nothing is kept, the ``status`` that came with it stands for them."""
    if resource.get("resourceType") != "OperationOutcome":
        return []
    answered = f"the server answered {status}".rstrip()
    return [_issue(issue, answered, str if all_words else kept) for issue in objects(resource.get("issue"))]


def _issue(issue: dict[str, Any], answered: str, kept_of: Callable[[str], str]) -> Problem:
    severity, code = issue.get("severity"), text(issue, "code")
    places = issue.get("expression") or issue.get("location")
    said = text(object_(issue.get("details")), "text") or text(issue, "diagnostics")
    what = kept_of(said)
    return Problem(
        severity=Severity(severity) if severity in list(Severity) else Severity.ERROR,
        layer=Layer.TRANSPORT,
        rule=code if code in issue_codes() else "unknown",
        what=f"{answered}; {_NOTHING_KEPT}" if what == GONE else what or f"{answered} and {_NOTHING_SAID}",
        where=kept_of(str(places[0])) if isinstance(places, list) and places else "",
    )


def seconds_to_wait(header: str, now: datetime | None = None) -> float | None:
    """The value of Retry-After: seconds, or a date (RFC 9110, section 10.2.3); None for neither.

    ``now`` is the server's own time, where it says one: its date is of the same clock.
    """
    header = header.strip()
    if re.fullmatch(r"\d+", header, re.ASCII):
        return float(header[:12])
    moment = http_date(header)
    if moment is None:
        return None
    return max(0.0, (moment - (now or datetime.now(UTC))).total_seconds())


def http_date(header: str) -> datetime | None:
    """A date of HTTP (RFC 9110, section 5.6.7), None for anything else."""
    try:
        moment = parsedate_to_datetime(header.strip())
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
