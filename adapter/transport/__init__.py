"""Sending and reading back: the client of a FHIR server."""

from adapter.transport.client import EntryOutcome, FhirClient, ServerRefused, Unreachable
from adapter.transport.fetch import fetch_exam, fetch_exams_of
from adapter.transport.withdraw import with_withdrawals

__all__ = [
    "EntryOutcome",
    "FhirClient",
    "ServerRefused",
    "Unreachable",
    "fetch_exam",
    "fetch_exams_of",
    "with_withdrawals",
]
