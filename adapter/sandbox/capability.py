"""What the server can do, as it says at ``[base]/metadata`` (R4 CapabilityStatement; http.html 3.1.0.10)."""

from __future__ import annotations

from typing import Any

from adapter.sandbox import export, operations
from adapter.sandbox.negotiation import MEDIA_TYPE
from adapter.sandbox.parameters import PARAMETERS, ParameterKind
from adapter.sandbox.terminology import OPERATIONS

#: The day this statement was last changed; it must move with what the server can do.
_DATE = "2026-11-28"

_INTERACTIONS = ("read", "vread", "update", "delete", "history-instance", "create", "search-type")


def statement(base: str, *, tokens: bool = False) -> dict[str, Any]:
    """The CapabilityStatement of the server at ``base``; made from the same table that searching uses.

    ``tokens``: the server asks for a bearer token.
    """
    rest: dict[str, Any] = {
        "mode": "server",
        "documentation": (
            "Incoming resources are validated; an invalid one is refused with 422. An update with the"
            " content of the current version makes no new version. Times without a zone are read as UTC"
            " in searches. Versioned references to entries of a transaction are left as they are. Of _sort,"
            " parameters of type date are known."
        ),
        "resource": [_resource(type_) for type_ in PARAMETERS],
        "interaction": [{"code": "transaction"}, {"code": "batch"}],
        "operation": [
            {"name": "validate", "definition": operations.DEFINITION},
            {"name": "export", "definition": export.DEFINITION},
            *({"name": name[1:], "definition": url} for (_, name), url in OPERATIONS.items()),
        ],
    }
    if tokens:
        rest["security"] = {"description": "A bearer token in the header Authorization (RFC 6750)."}
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": _DATE,
        "kind": "instance",
        "software": {"name": "newborn-adapter sandbox"},
        "implementation": {
            "description": "A loopback FHIR server for tests and demonstrations. Not for real patients.",
            "url": base,
        },
        "fhirVersion": "4.0.1",
        "format": list(MEDIA_TYPE.values()),
        "rest": [rest],
    }


def _resource(type_: str) -> dict[str, Any]:
    along, back = _along(type_), [link for other in PARAMETERS for link in _along(other) if other != type_]
    return {
        "type": type_,
        "interaction": [{"code": code} for code in _INTERACTIONS],
        "versioning": "versioned",
        "readHistory": True,
        "updateCreate": True,
        "conditionalCreate": True,
        "conditionalRead": "not-supported",
        "conditionalUpdate": True,
        "conditionalDelete": "not-supported",
        "referencePolicy": ["literal", "logical"],
        **({"searchInclude": along} if along else {}),
        "searchRevInclude": back,
        "searchParam": [{"name": p.name, "type": p.kind.value} for p in PARAMETERS[type_].values()],
    }


def _along(type_: str) -> list[str]:
    return [f"{type_}:{p.name}" for p in PARAMETERS[type_].values() if p.kind is ParameterKind.REFERENCE]
