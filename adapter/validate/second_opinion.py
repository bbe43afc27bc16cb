"""Layer structure, second opinion: the R4B models of fhir.resources on what the element table let pass.

It is asked for by name, because it takes several times as long as all layers together. R4B and R4 have the same
elements in nearly all types; those that R4B changed are left out. The table has had its say, so that a dissent
is a warning.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from adapter.problems import Layer, Problem, Severity

_RULE = "r4b-model"
#: R4B re-made these (hl7.org/fhir/R4B/history.html), so that its models say nothing about R4
_CHANGED_IN_R4B = frozenset({"Evidence", "EvidenceVariable", "ResearchElementDefinition", "DeviceDefinition"})


def check_with_models(resource: Mapping[str, Any], found: Iterable[Problem]) -> Iterator[Problem]:
    """Yield what the models say, for each resource in which nothing was ``found`` so far.

    The resources of a Bundle's entries are judged each for itself, so that a fault in one does not hide
    another and a type that the models do not hold does not stop them.
    """
    name = str(resource.get("resourceType"))
    faults = [p.where for p in found if p.severity in (Severity.ERROR, Severity.FATAL)]
    for where, part in _parts(resource, name):
        inside = _inside(where, faults) if part is not resource and name == "Bundle" else faults
        if not inside or (name == "Bundle" and where == name and not _outside_entries(faults)):
            yield from _judge(part, where)


def _parts(resource: Mapping[str, Any], name: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """The resource; for a Bundle the shell without the resources of its entries, then each of them."""
    entries = resource.get("entry")
    if name != "Bundle" or not isinstance(entries, list):
        yield name, resource
        return
    bare = [{k: v for k, v in e.items() if k != "resource"} if isinstance(e, Mapping) else e for e in entries]
    yield name, {**resource, "entry": [e for e in bare if e] or None}
    for index, entry in enumerate(entries):
        part = entry.get("resource") if isinstance(entry, Mapping) else None
        if isinstance(part, Mapping):
            yield f"Bundle.entry[{index}].resource", part


def _inside(where: str, faults: Sequence[str]) -> list[str]:
    return [fault for fault in faults if fault == where or fault.startswith((f"{where}.", f"{where}["))]


def _outside_entries(faults: Sequence[str]) -> list[str]:
    return [fault for fault in faults if "].resource" not in fault]


def _judge(resource: Mapping[str, Any], where: str) -> Iterator[Problem]:
    from fhir.resources.R4B import get_fhir_model_class
    from pydantic import ValidationError

    name = str(resource.get("resourceType"))
    if name in _CHANGED_IN_R4B:
        return
    try:
        model = get_fhir_model_class(name)
    except (KeyError, ValueError):
        return  # an R4 type that R4B dropped, or no type at all, which the table has reported
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model.model_validate(dict(resource))
    except ValidationError as error:
        for entry in error.errors(include_url=False, include_context=False, include_input=False):
            if not _is_the_tables(entry["type"], resource, entry["loc"]):
                yield _problem(where + _path(entry["loc"]), entry["msg"])
    except (KeyError, ValueError, TypeError, AttributeError, AssertionError):
        return  # the models fail in ways of their own on some content, which says nothing about it


def _is_the_tables(kind: str, resource: Any, location: Sequence[str | int]) -> bool:
    """Whether a dissent is about something on which the R4 table has the say.

    The models miss some names (Extension._valueString), are narrower in some formats (UUID variants), and do
    not count a required choice that has only extensions (``_valueInteger``).
    """
    if kind == "extra_forbidden":
        return True
    value = resource
    for part in location:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return False
    if isinstance(value, Mapping):
        return any(key.startswith("_") for key in value)
    return not isinstance(value, list)


def _problem(where: str, message: str) -> Problem:
    what = f"fhir.resources (R4B) says: {message.removeprefix('Value error, ')}"
    return Problem(Severity.WARNING, Layer.STRUCTURE, _RULE, what, "what the R4 definition asks for", where=where)


def _path(location: Sequence[str | int]) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in location)
