"""What earlier versions of an exam said and this one does not: sent as withdrawn, since silence withdraws nothing.

Table 0085: W is "post original as wrong", D deletes the record; both are ``entered-in-error`` in the published map. W
is the usual here: it leaves the record to be seen as wrong, as ``entered-in-error`` does on a FHIR server.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapter.formats.v2.er7 import Read, messages


def withdrawn(segments: Sequence[str], earlier: Sequence[bytes], status: str) -> Iterator[str]:
    """OBR and OBX segments for what ``earlier`` messages hold and ``segments`` do not, ``status`` in OBX-11.

    A result is known by the filler number of its OBR, its question and its sub-id. Lines of the tell list and what
    describes the report itself are made anew with each version and are known the same way.
    """
    said = {key for key, _, _ in _results([Read(line, n, "utf-8") for n, line in enumerate(segments, start=1)])}
    groups: dict[str, tuple[Read, dict[tuple[str, ...], Read]]] = {}
    for data in earlier:
        for message in messages(data):
            for key, request, result in _results(message):
                if key not in said and result.raw(11) not in ("W", "D"):
                    groups.setdefault(key[0], (request, {}))[1][key] = result
    number = sum(line.startswith("OBR|") for line in segments)
    for request, results in groups.values():
        number += 1
        yield _with(request.line, {1: str(number), 20: "", 25: "C"})
        for place, result in enumerate(results.values(), start=1):
            yield _with(result.line, {1: str(place), 11: status})


def _results(message: Sequence[Read]) -> Iterator[tuple[tuple[str, ...], Read, Read]]:
    """Every OBX with its key and its OBR."""
    request = None
    for one in message:
        if one.name == "OBR":
            request = one
        elif one.name == "OBX" and request is not None:
            yield (request.raw(3), one.raw(3), one.raw(4)), request, one


def _with(line: str, changes: dict[int, str]) -> str:
    fields = line.split("|")
    fields += [""] * (max(changes) + 1 - len(fields))
    for number, value in changes.items():
        fields[number] = value
    return "|".join(fields).rstrip("|")
