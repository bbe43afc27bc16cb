"""Sending and reading back: the client of a FHIR server, the outbox, and what drives one to the other."""

from adapter.transport.answers import Barred, EntryOutcome, ServerRefused, Unreachable
from adapter.transport.client import FhirClient, Timeouts, Wire
from adapter.transport.fetch import fetch_all_exams, fetch_exam, fetch_exams_of
from adapter.transport.message import Message, message_of
from adapter.transport.outbox import Outbox, OutboxError, Placed, Row, State
from adapter.transport.policy import Retry
from adapter.transport.sender import Event, Happening, Sender, Summary

__all__ = [
    "Barred",
    "EntryOutcome",
    "Event",
    "FhirClient",
    "Happening",
    "Message",
    "Outbox",
    "OutboxError",
    "Placed",
    "Retry",
    "Row",
    "Sender",
    "ServerRefused",
    "State",
    "Summary",
    "Timeouts",
    "Unreachable",
    "Wire",
    "fetch_all_exams",
    "fetch_exam",
    "fetch_exams_of",
    "message_of",
]
