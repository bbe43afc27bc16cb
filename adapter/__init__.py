"""Newborn head-to-toe examination findings as HL7 FHIR R4 (4.0.1) Observations."""

__version__ = "0.1.0"
