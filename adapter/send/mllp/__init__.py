"""HL7 v2 messages over MLLP: frames, a connection, acknowledgements, and what the outbox needs of them."""

from adapter.send.mllp.acknowledgement import Acknowledgement, NotAccepted
from adapter.send.mllp.connection import Connection, mllp_address
from adapter.send.mllp.frames import Frames, framed
from adapter.send.mllp.transport import MllpTransport

__all__ = ["Acknowledgement", "Connection", "Frames", "MllpTransport", "NotAccepted", "framed", "mllp_address"]
