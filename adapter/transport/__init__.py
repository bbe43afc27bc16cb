"""Sending and reading back: the client of a FHIR server."""

from adapter.transport.answers import EntryOutcome, ServerRefused, TokenRefused, Unreachable
from adapter.transport.client import FhirClient, Timeouts, Wire
from adapter.transport.fetch import fetch_exam

__all__ = [
    "EntryOutcome",
    "FhirClient",
    "ServerRefused",
    "Timeouts",
    "TokenRefused",
    "Unreachable",
    "Wire",
    "fetch_exam",
]
