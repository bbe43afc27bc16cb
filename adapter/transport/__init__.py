"""Sending: the client of a FHIR server."""

from adapter.transport.client import EntryOutcome, FhirClient, ServerRefused, Unreachable

__all__ = ["EntryOutcome", "FhirClient", "ServerRefused", "Unreachable"]
