"""Asking a FHIR R4 terminology server about the codes of a catalogue: codes alone, never a patient's data.

``questions``: an operation as the address that asks it. ``asking``: who answers, a server or a record of one.
``judge``: what an answer says of a code. ``prove``: all codes of a catalogue. ``candidates``: codes where none is.
``maps``: the package's ConceptMaps there and back.
"""

from adapter.send.terminology.asking import NoRecord, Recorded, Recording, Server, Terminology, recorded_answers
from adapter.send.terminology.candidates import Candidates, candidates
from adapter.send.terminology.maps import translated
from adapter.send.terminology.prove import prove

__all__ = [
    "Candidates",
    "NoRecord",
    "Recorded",
    "Recording",
    "Server",
    "Terminology",
    "candidates",
    "prove",
    "recorded_answers",
    "translated",
]
