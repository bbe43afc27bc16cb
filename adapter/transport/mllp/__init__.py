"""HL7 v2 messages over MLLP: frames, a connection, acknowledgements, and what the outbox needs of them."""

from adapter.transport.mllp.acknowledgement import Acknowledgement, NotAccepted
from adapter.transport.mllp.carrier import MllpCarrier
from adapter.transport.mllp.connection import Connection, mllp_address
from adapter.transport.mllp.frames import Frames, framed

__all__ = ["Acknowledgement", "Connection", "Frames", "MllpCarrier", "NotAccepted", "framed", "mllp_address"]
