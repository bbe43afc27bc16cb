"""Problems as a FHIR R4 OperationOutcome (operationoutcome.html), for programs that speak FHIR."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from adapter.problems import Layer, Problem, Severity

# codes of the R4 value set issue-type, by rule, else by layer
_BY_RULE = {
    "missing-element": "required",
    "value-format": "value",
    "code-not-in-value-set": "code-invalid",
    "unreadable-json": "structure",
    "unreadable-xml": "structure",
    "cannot-read": "not-found",
    "type-not-held": "not-supported",
    "unresolved-reference": "not-found",
    "too-deep": "too-long",
    "bdl-7": "duplicate",
}
_BY_LAYER = {
    Layer.CATALOGUE: "business-rule",
    Layer.CAPTURE: "invalid",
    Layer.STRUCTURE: "structure",
    Layer.SCHEMA: "structure",
    Layer.INVARIANTS: "invariant",
    Layer.TERMINOLOGY: "code-invalid",
    Layer.PROFILES: "invariant",
    Layer.BUNDLE: "invalid",
    Layer.ROUND_TRIP: "processing",
    Layer.TRANSPORT: "transient",
}
# issue.expression holds element names and indexes only (R4 OperationOutcome.issue.expression)
_EXPRESSION = re.compile(r"[A-Z][A-Za-z]*(\.[A-Za-z]+(\[[0-9]+\])?)*")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


def operation_outcome(problems: Iterable[Problem]) -> dict[str, Any]:
    """The problems as one OperationOutcome, an issue each; "All OK" as information where there is none.

    ``details.text`` says what is wrong; ``diagnostics`` where, what would be right, and the rule.
    """
    issues = [_issue(problem) for problem in problems]
    all_ok = {"severity": "information", "code": "informational", "details": {"text": "All OK"}}
    return {"resourceType": "OperationOutcome", "issue": issues or [all_ok]}


def _issue(problem: Problem) -> dict[str, Any]:
    information = problem.severity is Severity.INFORMATION
    code = _BY_RULE.get(problem.rule) or ("informational" if information else _BY_LAYER[problem.layer])
    issue: dict[str, Any] = {
        "severity": problem.severity.value,
        "code": code,
        "details": {"text": _clean(problem.what)},
        "diagnostics": _clean(_diagnostics(problem)),
    }
    if _EXPRESSION.fullmatch(problem.where):
        issue["expression"] = [problem.where]
    return issue


def _diagnostics(problem: Problem) -> str:
    parts = [
        f"{problem.layer.value}/{problem.rule}",
        problem.file,
        f"line {problem.line}" if problem.line else "",
        problem.where,
        f"item {problem.item}" if problem.item else "",
        f"expected: {problem.remedy}" if problem.remedy else "",
        problem.section,
    ]
    return "; ".join(part for part in parts if part)


def _clean(text: str) -> str:
    """Text that a FHIR string may hold: no control characters, never empty."""
    return _CONTROL.sub("\ufffd", text) or "(no text)"
