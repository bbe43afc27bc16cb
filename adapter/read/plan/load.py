"""Reading a plan: strict YAML, every mistake with its line and what would be right."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from adapter.catalogue import Catalogue
from adapter.catalogue.strict_yaml import read_yaml
from adapter.problems import Layer, Problem
from adapter.read.explain import explain
from adapter.read.places import Place, PlaceOf
from adapter.read.plan.lint import lint_plan
from adapter.read.plan.model import Plan
from adapter.read.plan.undecided import undecided


def load_plan(path: Path, catalogue: Catalogue) -> tuple[Plan | None, list[Problem]]:
    """The plan of a YAML file and everything wrong with it; a plan with problems is not to be used.

    The plan is None where the file is no plan at all, or where something in it is still to be decided.
    """
    name = str(path)
    try:
        data, problems = read_yaml(path, name)
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}"
        return None, [Place("", None, name).error("cannot-read", what, "a plan in YAML")]
    if problems:
        return None, [replace(problem, layer=Layer.CAPTURE, rule="plan-unreadable") for problem in problems]
    if not isinstance(data, dict):
        return None, [Place("", None, name).error("plan-unreadable", "is no plan", "plan, exam, newborn, findings")]
    place = _places(data, name)
    if open_ones := undecided(data, place):
        return None, open_ones
    try:
        plan = Plan.model_validate(data)
    except ValidationError as error:
        return None, list(explain(error, data, Plan, place))
    return plan, list(lint_plan(plan, catalogue, place))


def _places(data: Any, name: str) -> PlaceOf:
    """Places in the plan: the path written as in YAML, and the line of the nearest mapping."""

    def place(pointer: str) -> Place:
        steps = [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]
        node, line = data, getattr(data, "line", None)
        for step in steps:
            if isinstance(node, dict) and step in node:
                node = node[step]
            elif isinstance(node, list) and step.isdigit() and int(step) < len(node):
                node = node[int(step)]
            else:
                break
            line = getattr(node, "line", line)
        return Place(".".join(steps), line, name)

    return place
