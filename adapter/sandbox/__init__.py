"""A loopback FHIR R4 server for tests and demonstrations: a stand-in for a hospital's server."""

from adapter.sandbox.app import create_app
from adapter.sandbox.negotiation import Limits
from adapter.sandbox.serve import CannotServe, running, serve
from adapter.sandbox.store import Store

__all__ = ["CannotServe", "Limits", "Store", "create_app", "running", "serve"]
