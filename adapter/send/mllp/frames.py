"""Frames of the Minimal Lower Layer Protocol (HL7 v2.5.1, appendix C; Transport Specification: MLLP, Release 1).

A block is ``<VT> message <FS><CR>``. What stands outside a block is no message and is passed over; a start inside a
block means that the one before was broken off.
"""

from __future__ import annotations

START, END = b"\x0b", b"\x1c\x0d"
_LARGEST = 16 * 1024 * 1024


def framed(message: bytes) -> bytes:
    """A message as a block. Raises :class:`ValueError` where it holds a byte that would end or begin one."""
    if START in message or b"\x1c" in message:
        raise ValueError("a message cannot hold the bytes that begin and end a block")
    return START + message + END


class Frames:
    """Puts blocks together from what arrives, in pieces of any size."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, piece: bytes) -> list[bytes]:
        """The messages that are whole now. Raises :class:`ValueError` for a block without end."""
        self._buffer += piece
        found = []
        while (end := self._buffer.find(END)) >= 0:
            block = bytes(self._buffer[:end])
            del self._buffer[: end + len(END)]
            _, start, message = block.rpartition(START)
            if start:
                found.append(message)
        if START not in self._buffer:
            # All but a half of an end mark can be forgotten: it lies outside any block.
            del self._buffer[:-1]
        if len(self._buffer) > _LARGEST:
            raise ValueError("a block has no end")
        return found
