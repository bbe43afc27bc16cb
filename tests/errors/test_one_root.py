"""Every error of ours is an AdapterError: a program that uses the package has one name to catch."""

from __future__ import annotations

import importlib
import inspect
import pickle
import pkgutil

import pytest

import adapter
from adapter.problems import AdapterError, ExitCode, Layer, Problem, Severity


def exception_classes() -> list[type[BaseException]]:
    """Every exception class that a module of the package defines, private ones too."""
    found: list[type[BaseException]] = []
    for info in pkgutil.walk_packages(adapter.__path__, "adapter."):
        if info.name.endswith("__main__"):
            continue
        module = importlib.import_module(info.name)
        for value in vars(module).values():
            own = inspect.isclass(value) and value.__module__ == module.__name__
            if own and issubclass(value, BaseException):
                found.append(value)
    return found


CLASSES = exception_classes()


def test_there_are_some() -> None:
    names = {one.__name__ for one in CLASSES}
    assert {
        "NotWritable",
        "NotReadable",
        "BadTarget",
        "OutboxError",
        "Unreachable",
        "RunError",
        "BadPolicy",
    } <= names


@pytest.mark.parametrize("one", CLASSES, ids=lambda one: f"{one.__module__}.{one.__name__}")
def test_each_descends_from_the_root(one: type[BaseException]) -> None:
    assert issubclass(one, AdapterError)
    assert isinstance(one.exit_code, ExitCode)
    assert one.exit_code is not ExitCode.WELL
    assert inspect.getdoc(one)


def test_problems_make_the_words_and_words_may_stand_alone() -> None:
    problem = Problem(Severity.ERROR, Layer.CAPTURE, "a-rule", "is wrong", "what is right", file="a.json")
    assert str(AdapterError(problems=[problem])) == str(problem)
    assert AdapterError(problems=[problem]).problems == [problem]
    assert (str(AdapterError("no good")), AdapterError("no good").problems) == ("no good", [])


def test_it_travels_between_processes() -> None:
    problem = Problem(Severity.ERROR, Layer.CAPTURE, "a-rule", "is wrong")
    came = pickle.loads(pickle.dumps(AdapterError("no good", [problem])))
    assert (str(came), came.problems) == ("no good", [problem])
