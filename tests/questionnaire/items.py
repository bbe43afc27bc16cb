"""Looking into Questionnaires and responses."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

from adapter.catalogue import Catalogue
from adapter.fhir.json import dumps
from adapter.read import Reading, read_captures

Json = dict[str, Any]


def walk(items: list[Json]) -> Iterator[Json]:
    """Every item, in order, with those inside it."""
    for item in items:
        yield item
        yield from walk(item.get("item", []))


def by_link(resource: Json) -> dict[str, Json]:
    """Items by linkId; of a response, the first of each."""
    found: dict[str, Json] = {}
    for item in walk(resource["item"]):
        found.setdefault(item["linkId"], item)
    return found


def extensions(item: Json, ending: str) -> list[Any]:
    """The values of an item's extensions whose URL ends so."""
    found = [e for e in item.get("extension", []) if e["url"].endswith(ending)]
    return [next(value for name, value in one.items() if name != "url") for one in found]


def read(response: Json, catalogue: Catalogue) -> Reading:
    """What reading a response gives."""
    [reading] = read_captures(io.BytesIO(dumps(response)), catalogue, name="response.json")
    return reading
