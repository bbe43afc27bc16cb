"""The outbox: every exam is written here before its first byte leaves, and what became of it after."""

from adapter.send.outbox.arrived import Arrived, ArrivedPart
from adapter.send.outbox.queue import Outbox, PutResult
from adapter.send.outbox.rows import OutboxRow, State
from adapter.send.outbox.schema import OutboxError

__all__ = ["Arrived", "ArrivedPart", "Outbox", "OutboxError", "OutboxRow", "PutResult", "State"]
