"""A loopback FHIR R4 server for tests and demonstrations: a stand-in for a hospital's server."""

from adapter.sandbox.adversary import Adversary, Power, Silence
from adapter.sandbox.app import SandboxSettings, create_app
from adapter.sandbox.faults import BadFaults, Faults, load_faults, parse_faults
from adapter.sandbox.negotiation import BodyLimits
from adapter.sandbox.serve import CannotServe, in_front_of, running, serve
from adapter.sandbox.store import Store

__all__ = [
    "Adversary",
    "BadFaults",
    "BodyLimits",
    "CannotServe",
    "Faults",
    "Power",
    "SandboxSettings",
    "Silence",
    "Store",
    "create_app",
    "in_front_of",
    "load_faults",
    "parse_faults",
    "running",
    "serve",
]
