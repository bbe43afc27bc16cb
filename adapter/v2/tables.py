"""Tables of HL7 v2.5.1 that are read and written alike."""

from __future__ import annotations

from adapter.exam import Sex

SEXES = {Sex.FEMALE: "F", Sex.MALE: "M", Sex.OTHER: "O", Sex.UNKNOWN: "U"}
"""Table 0001 (map AdministrativeSex reversed)."""
