"""Which version of an exam a server has, and whether ours may go over it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapter.problems import AdapterError
from adapter.send import answers
from adapter.send.client import FhirClient
from adapter.send.message import Message
from adapter.send.survey import provenances

_RANK = {"final": 0, "amended": 1, "corrected": 1, "appended": 1, "entered-in-error": 2}


class Superseded(AdapterError):
    """The server has a newer version; the message names it."""


def refuse_older(client: FhirClient, message: Message, reports: Sequence[dict[str, Any]]) -> None:
    """Raise :class:`Superseded` if a report on the server is of a newer version of the exam.

    Newer is: entered in error before amended before as first recorded. Of two amendments the one whose
    Provenance is not there yet is the newer one: the other has been here before. A site that keeps the Provenance in
    the report cannot tell, so that a person must. A retraction is final.
    """
    for report in reports:
        version = _version(report, message.systems.version) or message.root
        if version == message.exam:
            continue
        there = _RANK.get(answers.text(report, "status"), 0)
        same = there == message.rank
        unknown = "Provenance" not in message.types
        if there > message.rank or (same and (there == 2 or unknown or provenances(client, message, reports))):
            raise Superseded(version)


def _version(report: dict[str, Any], system: str) -> str | None:
    found = (i for i in answers.objects(report.get("identifier")) if i.get("system") == system)
    return next((answers.text(identifier, "value") for identifier in found), None)
