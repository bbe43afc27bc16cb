"""Problems in the forms that build pipelines read: SARIF 2.1.0 (OASIS) and JUnit XML."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from lxml import etree

from adapter import __version__
from adapter.problems import Problem, Severity

_NOT_XML = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_LEVELS = {
    Severity.FATAL: "error",
    Severity.ERROR: "error",
    Severity.WARNING: "warning",
    Severity.INFORMATION: "note",
}


def sarif(problems: Sequence[Problem]) -> dict[str, Any]:
    """The problems as one run of a SARIF log."""
    rules = {problem.rule: problem for problem in reversed(problems)}
    driver = {
        "name": "newborn-adapter",
        "version": __version__,
        "rules": [
            {
                "id": rule,
                "shortDescription": {"text": problem.what},
                "help": {"text": problem.section or problem.remedy or problem.what},
            }
            for rule, problem in sorted(rules.items())
        ],
    }
    results = [_result(problem) for problem in problems]
    run = {"tool": {"driver": driver}, "columnKind": "unicodeCodePoints", "results": results}
    return {"version": "2.1.0", "$schema": "https://json.schemastore.org/sarif-2.1.0.json", "runs": [run]}


def _result(problem: Problem) -> dict[str, Any]:
    text = f"{problem.what}; expected: {problem.remedy}" if problem.remedy else problem.what
    physical: dict[str, Any] = {"artifactLocation": {"uri": problem.file or "-"}}
    if problem.line:
        region = {"startLine": problem.line}
        physical["region"] = {**region, "startColumn": problem.column} if problem.column else region
    location: dict[str, Any] = {"physicalLocation": physical}
    if problem.where:
        location["logicalLocations"] = [{"fullyQualifiedName": problem.where}]
    return {
        "ruleId": problem.rule,
        "level": _LEVELS[problem.severity],
        "message": {"text": text},
        "locations": [location],
    }


def junit(results: Mapping[str, Iterable[Problem]]) -> bytes:
    """A test case for each resource (its name to its problems); an error is a failure, anything else is output."""
    suite = etree.Element("testsuite", name="newborn-adapter validate")
    failures = 0
    for name, problems in results.items():
        case = etree.SubElement(suite, "testcase", name=_clean(name), classname="validate")
        remarks = []
        for problem in problems:
            if problem.severity in (Severity.ERROR, Severity.FATAL):
                failure = etree.SubElement(case, "failure", type=problem.rule, message=_clean(problem.what))
                failure.text = _clean(str(problem))
                failures += 1
            else:
                remarks.append(_clean(str(problem)))
        if remarks:
            etree.SubElement(case, "system-out").text = "\n".join(remarks)
    suite.set("tests", str(len(results)))
    suite.set("failures", str(failures))
    return etree.tostring(suite, xml_declaration=True, encoding="UTF-8", pretty_print=True)


def _clean(text: str) -> str:
    """Text that XML 1.0 can hold."""
    return _NOT_XML.sub("\ufffd", text)
