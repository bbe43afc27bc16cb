"""The outbox: every exam is written here before its first byte leaves, and what became of it after."""

from adapter.send.outbox.queue import Letter, Outbox, Placed
from adapter.send.outbox.rows import Row, State
from adapter.send.outbox.schema import OutboxError

__all__ = ["Letter", "Outbox", "OutboxError", "Placed", "Row", "State"]
