"""What is fuzzed: any bytes through reading, every layer, the places and every form of report."""

from __future__ import annotations

from adapter.problems import Problem
from adapter.validate import Validator, operation_outcome, read_resources
from adapter.validate.pipelines import junit, sarif

VALIDATOR = Validator()


def run(data: bytes, name: str = "") -> list[Problem]:
    """All problems of the bytes; anything that is raised is a fault of ours."""
    problems: list[Problem] = []
    for loaded in read_resources(data, name):
        found = VALIDATOR.check(loaded)
        assert loaded.resource is not None or found
        for problem in found[:20]:
            loaded.excerpt(problem)
        problems += found
    operation_outcome(problems[:50])
    sarif(problems[:50])
    junit({"x": problems[:50]})
    return problems
