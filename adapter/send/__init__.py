"""Sending and reading back: the client of a FHIR server, the outbox, and what drives one to the other."""

from adapter.send.answers import Barred, EntryOutcome, ServerRefused, Unreachable
from adapter.send.client import FhirClient, Timeouts, Wire
from adapter.send.fetch import fetch_all_exams, fetch_exam, fetch_exams_of
from adapter.send.message import Message, message_of
from adapter.send.outbox import Outbox, OutboxError, Placed, Row, State
from adapter.send.policy import Retry
from adapter.send.sender import Event, Happening, Sender, Summary

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
