"""Capture records in JSON: one document, an array of them, or one a line (NDJSON).

A document may as well be a FHIR QuestionnaireResponse to one of the catalogue's forms.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator
from functools import cache
from typing import Any

from adapter.catalogue import Catalogue
from adapter.read.json_text import JsonLines, JsonText
from adapter.read.places import Place, PlaceOf, printable
from adapter.read.reading import Reading
from adapter.read.record import RawRecord, read_record

Fhir = Callable[[int], Iterator[Reading]]


def read_json(
    text: str,
    catalogue: Catalogue,
    name: str,
    line: int | None = None,
    *,
    among: Collection[int] = (),
    fhir: Fhir | None = None,
) -> Iterator[Reading]:
    """The exam of a document, or those of an array of documents.

    ``line`` is the line of the document in a file of many (NDJSON); without it lines are counted in ``text``.
    ``among`` are the numbers of those in an array that are other resources of FHIR, which ``fhir`` reads.
    """
    parsed = _parsed(text, name, line)
    if isinstance(parsed, Reading):
        yield parsed
        return
    place = _places(text, name, line)
    source = f"{name}, line {line}" if line else name
    if not isinstance(parsed.data, list):
        yield _one(parsed.data, place, source, parsed.doubtful, catalogue)
        return
    if not parsed.data:
        problem = Place("", line, name).error("no-exam", "an empty list of records", "at least one record")
        yield Reading(None, (problem,), source)
    for n, data in enumerate(parsed.data):
        if fhir is not None and n in among:
            yield from fhir(n)
        else:
            yield _one(data, _within(place, f"/{n}"), f"{source}, record {n + 1}", parsed.doubtful, catalogue)


def _one(data: Any, place: PlaceOf, source: str, doubtful: bool, catalogue: Catalogue) -> Reading:
    if isinstance(data, dict) and data.get("resourceType") == "QuestionnaireResponse":
        from adapter.read.questionnaire import read_response

        return read_response(data, place, source, catalogue)
    return read_record(RawRecord(data, place, source, doubtful=doubtful), catalogue)


def _within(place: PlaceOf, prefix: str) -> PlaceOf:
    return lambda pointer: place(prefix + pointer)


def _parsed(text: str, name: str, line: int | None) -> JsonText | Reading:
    try:
        return JsonText(text)
    except json.JSONDecodeError as error:
        place = Place(f"column {error.colno}", line or error.lineno, name)
        what = f"is not JSON: {error.msg[0].lower()}{error.msg[1:]}"
    except RecursionError:
        place, what = Place("", line, name), "is nested deeper than any record"  # RFC 8259, section 9, allows it
    problem = place.error("not-json", what, "one JSON document (RFC 8259), complete, in UTF-8")
    return Reading(None, (problem,), f"{name}, line {line}" if line else name)


def _places(text: str, name: str, line: int | None) -> PlaceOf:
    """Places by pointer; the lines are only looked for once a problem asks for one."""

    lines = cache(lambda: JsonLines(text))

    def place(pointer: str) -> Place:
        return Place(printable(pointer), lines().line(pointer) if line is None else line, name)

    return place
