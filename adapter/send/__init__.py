"""Sending and reading back: the outbox, what drives it to a receiver, and the kinds of receivers."""

from adapter.send.failures import Unreachable
from adapter.send.message import Message, MessagePart, Receipt
from adapter.send.outbox import Outbox, OutboxError, OutboxRow, PutResult, State
from adapter.send.policy import Retry, Timeouts
from adapter.send.rest.answers import Barred, EntryOutcome, ServerRefused
from adapter.send.rest.client import FhirClient, Wire
from adapter.send.rest.fetch import fetch_all_exams, fetch_exam, fetch_exams_of
from adapter.send.rest.transaction import message_of
from adapter.send.rest.transport import FhirTransport
from adapter.send.rest.ward import WardList, ward_list
from adapter.send.sender import Event, Happening, Sender, SendSummary

__all__ = [
    "Barred",
    "EntryOutcome",
    "Event",
    "FhirClient",
    "FhirTransport",
    "Happening",
    "Message",
    "MessagePart",
    "Outbox",
    "OutboxError",
    "OutboxRow",
    "PutResult",
    "Receipt",
    "Retry",
    "SendSummary",
    "Sender",
    "ServerRefused",
    "State",
    "Timeouts",
    "Unreachable",
    "WardList",
    "Wire",
    "fetch_all_exams",
    "fetch_exam",
    "fetch_exams_of",
    "message_of",
    "ward_list",
]
