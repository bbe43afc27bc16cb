"""The outbox: every exam is written here before its first byte leaves, and what became of it after."""

from adapter.transport.outbox.queue import Letter, Outbox, Placed
from adapter.transport.outbox.rows import Row, State
from adapter.transport.outbox.schema import OutboxError

__all__ = ["Letter", "Outbox", "OutboxError", "Placed", "Row", "State"]
