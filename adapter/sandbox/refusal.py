"""Why the server says no: an HTTP status, an issue type, and words for a person.

FHIR R4 RESTful API, section 3.1.0.1 (errors carry an OperationOutcome where they can); the issue types are
those of the R4 value set issue-type.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from adapter.problems import AdapterError, Problem
from adapter.validate import operation_outcome


class Refusal(AdapterError):
    """A request that the server does not carry out.

    ``status`` is the HTTP status; ``code`` an R4 issue-type code; ``what`` says what is wrong and what would
    be right, without patient data; ``where`` is a FHIRPath-style place such as ``Bundle.entry[3]``.
    ``problems`` is set when the validator found them: they then make up the OperationOutcome. ``headers`` go with
    the answer.
    """

    def __init__(
        self,
        status: int,
        code: str,
        what: str,
        *,
        where: str = "",
        problems: Sequence[Problem] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(what, problems)
        self.status = status
        self.code = code
        self.what = what
        self.where = where
        self.headers = dict(headers or {})

    def at(self, where: str) -> Refusal:
        """The same refusal, placed inside ``where`` (an entry of a bundle)."""
        inner = f"{where}.{self.where}" if self.where else where
        return Refusal(self.status, self.code, self.what, where=inner, problems=self.problems)

    def outcome(self) -> dict[str, Any]:
        """The OperationOutcome that goes back to the client."""
        if self.problems:
            return operation_outcome(self.problems)
        return outcome("error", self.code, self.what, self.where)


def outcome(severity: str, code: str, what: str, where: str = "") -> dict[str, Any]:
    """An OperationOutcome of one issue (R4 OperationOutcome: severity and code are required)."""
    issue: dict[str, Any] = {"severity": severity, "code": code, "details": {"text": what}}
    if where:
        issue["expression"] = [where]
    return {"resourceType": "OperationOutcome", "issue": [issue]}
