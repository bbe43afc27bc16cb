"""Newborn head-to-toe examination findings as HL7 FHIR R4 (4.0.1) Observations.

What an integrator needs stands here under one name each, loaded when it is first used::

    import adapter

    catalogue = adapter.load_catalogue()
    for reading in adapter.read_exams(Path("exams/"), catalogue):
        if reading.accepted:
            bundle = adapter.to_bundle(reading.exam, catalogue)

All else is the house's own and may change from one version to the next.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue, load_catalogue
    from adapter.derive import series_list, tell_list
    from adapter.exam import Exam, Finding
    from adapter.fhir import BundleType
    from adapter.problems import AdapterError, Problem, Report, Severity
    from adapter.read import Reading, check_exam
    from adapter.read import read as read_exams
    from adapter.read.bundle import from_bundle
    from adapter.read.reassignment import NotReassigned, Reassignment, reassign
    from adapter.run.convert import Convert
    from adapter.run.extract import Extract
    from adapter.run.run import run as run_work
    from adapter.run.validate import Validate
    from adapter.send import Outbox, Sender
    from adapter.send.target import Target, load_target
    from adapter.validate import validate as validate_resource
    from adapter.write import write as write_exam
    from adapter.write.bundles import to_bundle

__version__ = "0.1.0"
SOFTWARE = "newborn-exam-adapter"
SOFTWARE_VERSION = f"{SOFTWARE} {__version__}"
"""How the software names itself in what it writes."""

__all__ = [
    "AdapterError",
    "BundleType",
    "Catalogue",
    "Convert",
    "Exam",
    "Extract",
    "Finding",
    "NotReassigned",
    "Outbox",
    "Problem",
    "Reading",
    "Reassignment",
    "Report",
    "Sender",
    "Severity",
    "Target",
    "Validate",
    "__version__",
    "check_exam",
    "from_bundle",
    "load_catalogue",
    "load_target",
    "read_exams",
    "reassign",
    "run_work",
    "series_list",
    "tell_list",
    "to_bundle",
    "validate_resource",
    "write_exam",
]

_PLACES = {
    "adapter.catalogue": ("Catalogue", "load_catalogue"),
    "adapter.derive": ("series_list", "tell_list"),
    "adapter.exam": ("Exam", "Finding"),
    "adapter.fhir": ("BundleType",),
    "adapter.problems": ("AdapterError", "Problem", "Report", "Severity"),
    "adapter.read": ("Reading", "check_exam", "read_exams=read"),
    "adapter.read.bundle": ("from_bundle",),
    "adapter.read.reassignment": ("NotReassigned", "Reassignment", "reassign"),
    "adapter.run.convert": ("Convert",),
    "adapter.run.extract": ("Extract",),
    "adapter.run.run": ("run_work=run",),
    "adapter.run.validate": ("Validate",),
    "adapter.send": ("Outbox", "Sender"),
    "adapter.send.target": ("Target", "load_target"),
    "adapter.validate": ("validate_resource=validate",),
    "adapter.write": ("write_exam=write",),
    "adapter.write.bundles": ("to_bundle",),
}
"""Where each name of the face is: ``face=name`` where the room calls it otherwise."""

_FACE = {
    name.partition("=")[0]: (room, name.partition("=")[2] or name)
    for room, names in _PLACES.items()
    for name in names
}


def __getattr__(name: str) -> Any:
    if name not in _FACE:
        raise AttributeError(f"module 'adapter' has no attribute {name!r}")
    room, own = _FACE[name]
    found = globals()[name] = getattr(import_module(room), own)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *_FACE})
