"""The operation ``$validate`` (R4 resource-operation-validate.html), with the adapter's own validator."""

from __future__ import annotations

from typing import Any

from adapter.sandbox.refusal import Refusal
from adapter.validate import operation_outcome, validate

DEFINITION = "http://hl7.org/fhir/OperationDefinition/Resource-validate"

#: What the operation takes here; the others of the definition (profile, mode delete) are refused.
_MODES = ("create", "update")


def validated(content: Any, type_: str, mode: str) -> dict[str, Any]:
    """The OperationOutcome on a resource, or on the one in a Parameters resource.

    ``type_`` is the type in the URL, ``mode`` the parameter of the URL. Every layer of the validator is run.
    Raises :class:`Refusal` where there is nothing to validate. That a resource is not valid is an answer.
    """
    resource = content
    if isinstance(content, dict) and content.get("resourceType") == "Parameters" and type_ != "Parameters":
        given = {p.get("name"): p for p in content.get("parameter", []) if isinstance(p, dict)}
        unknown = [str(name) for name in given if name not in ("resource", "mode")]
        if unknown:
            raise Refusal(400, "not-supported", f"$validate takes resource and mode here, not {', '.join(unknown)}")
        resource = given.get("resource", {}).get("resource")
        mode = given.get("mode", {}).get("valueCode", mode)
    if mode and mode not in _MODES:
        raise Refusal(400, "not-supported", f"$validate knows the modes {' and '.join(_MODES)} here")
    if not isinstance(resource, dict) or resource.get("resourceType") != type_:
        raise Refusal(400, "invalid", f"the content must be one resource of the type in the URL, {type_}")
    return operation_outcome(validate(resource))
