"""Makes ``corpus.ndjson``: resources good and bad, each with the rule it breaks ("" for none, "?" where the
judge decides).

    python tests/reference/corpus.py

One line a resource: name, rule, resource. The same each time; CI compares.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
CORPUS = HERE / "corpus.ndjson"

if __name__ == "__main__":
    sys.path[:0] = [str(HERE.parents[1]), str(HERE), str(HERE.parent / "validate")]

from build import SEEDS, content, resource  # noqa: E402
from by_hand import made_by_hand  # noqa: E402
from constraints import all_constraints, breaking  # noqa: E402
from faults import faults, good  # noqa: E402

from adapter.fhir.definitions import choice_name, definition, resource_types  # noqa: E402
from adapter.fhir.json import dumps  # noqa: E402

Json = dict[str, Any]
#: Constraints that structure keeps, that are wishes, or that nothing can break
_LEFT_OUT = ("ele-1", "dom-6", "eld-11", "eld-20", "tst-4")


_NOT_WIDE = ("id", "implicitRules", "contained", "extension", "modifierExtension", "text", "language")


def cases() -> Iterator[tuple[str, str, Json]]:
    """Name, rule and resource of each case."""
    for type_name in sorted(resource_types()):
        yield f"small {type_name}", "", resource(type_name)
    for type_name in sorted(resource_types()):
        yield from _wide(type_name)
    for name, made in good():
        yield name, "", made
    by_hand = made_by_hand()
    for path, constraint in all_constraints():
        name = f"{path} {constraint.key}"
        if constraint.key in _LEFT_OUT:
            continue
        found = by_hand.get(name) or breaking(path, constraint)
        if found is not None:
            yield f"constraint {name}", constraint.key, found
    yield from faults()


def _wide(type_name: str) -> Iterator[tuple[str, str, Json]]:
    """A resource with many elements at once; whether they may stand together is for the judge to say."""
    wanted: Json = {}
    for element in definition(type_name).elements:
        name = choice_name(element.name, element.types[0]) if element.is_choice else element.name
        if name not in _NOT_WIDE and name not in SEEDS.get(type_name, {}):
            wanted[name] = "Name" if name == "name" and element.types == ("string",) else ...
    yield f"wide {type_name}", "?", {"resourceType": type_name, **content(type_name, wanted)}


def write() -> bytes:
    """The content of the file."""
    lines = [dumps({"name": name, "rule": rule, "resource": made}) for name, rule, made in cases()]
    return b"\n".join(lines) + b"\n"


if __name__ == "__main__":
    CORPUS.write_bytes(write())
