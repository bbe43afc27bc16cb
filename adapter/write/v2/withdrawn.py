"""What earlier versions of an exam said and this one does not: sent as withdrawn, since silence withdraws nothing.

Table 0085: W is "post original as wrong", D deletes the record; both are ``entered-in-error`` in the published map. W
is the usual here: it leaves the record to be seen as wrong, as ``entered-in-error`` does on a FHIR server.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapter.catalogue import Catalogue
from adapter.v2.er7 import Read, messages, text
from adapter.write.v2.results import comments

Key = tuple[str, str, str]
"""A result: the filler number of its OBR, its question, its sub-id."""


def with_withdrawn(
    segments: Sequence[str], earlier: Sequence[bytes], version: str, catalogue: Catalogue
) -> list[str]:
    """The segments of a message, and in the OBR of each region what ``earlier`` messages hold and it does not.

    These have the site's status for it in OBX-11 and a comment that says which version they are from; ``version`` is
    this one.
    """
    now = [Read(line, n, "utf-8") for n, line in enumerate(segments, start=1)]
    said = {key for key, _, _ in _results(now)}
    gone: dict[str, tuple[Read, dict[Key, Read]]] = {}
    for data in earlier:
        for message in messages(data):
            for key, request, result in _results(message):
                if key not in said and result.raw(11) not in ("W", "D"):
                    gone.setdefault(key[0], (request, {}))[1][key] = result

    def lines(filler: str, first: int) -> Iterator[str]:
        request, results = gone.pop(filler, (None, {}))
        for place, result in enumerate(results.values(), start=first):
            yield _with(result.line, {1: str(place), 11: catalogue.v2.withdrawn})
            assert request is not None, "results have an OBR"
            words = catalogue.words.say("v2.withdrawn", before=request.part(20), version=version)
            yield from comments([("withdrawn", text(words))], catalogue)

    found: list[str] = []
    filler, count, groups = "", 0, 0
    for one in now:
        if one.name == "OBR":
            found += lines(filler, count + 1)
            filler, count, groups = one.raw(3), 0, groups + 1
        count += one.name == "OBX"
        found.append(one.line)
    found += lines(filler, count + 1)
    for filler, (request, _) in list(gone.items()):
        groups += 1
        found.append(_with(request.line, {1: str(groups), 20: text(version), 25: "C"}))
        found += lines(filler, 1)
    return found


def _results(message: Sequence[Read]) -> Iterator[tuple[Key, Read, Read]]:
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
