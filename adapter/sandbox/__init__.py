"""A loopback FHIR R4 server for tests and demonstrations: a stand-in for a hospital's server."""

from adapter.sandbox.adversary import Adversary, Power, Silence
from adapter.sandbox.app import Settings, create_app
from adapter.sandbox.faults import BadFaults, Faults, load_faults, parse_faults
from adapter.sandbox.negotiation import Limits
from adapter.sandbox.serve import CannotServe, in_front_of, running, serve
from adapter.sandbox.store import Store

__all__ = [
    "Adversary",
    "BadFaults",
    "CannotServe",
    "Faults",
    "Limits",
    "Power",
    "Settings",
    "Silence",
    "Store",
    "create_app",
    "in_front_of",
    "load_faults",
    "parse_faults",
    "running",
    "serve",
]
