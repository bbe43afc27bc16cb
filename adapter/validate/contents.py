"""Layer invariants: what the text of R4 says of the content of an element and no constraint does.

FHIR R4: Attachment (size and hash are those of the data), SampledData (data), Element (id), Resource References
(references.html#contained: a contained resource is found by its id, in the id space of what contains it).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Callable, Iterable, Iterator

from adapter.problems import Layer, Problem, Severity
from adapter.validate.walk import ElementNode, text

_ATTACHMENT = "FHIR R4 Attachment (datatypes.html#Attachment)"
_SAMPLED = "FHIR R4 SampledData (datatypes.html#SampledData)"
_ELEMENT = "FHIR R4 Element, id (element.html)"
_CONTAINED = "FHIR R4 Resource References (references.html#contained)"
_SAMPLE = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?|[EUL]")


def check_contents(nodes: Iterable[ElementNode]) -> Iterator[Problem]:
    """Yield a problem for each element whose content is not what it says of itself, or not what its type holds."""
    for node in nodes:
        if "id" in node.value and node.resource is not None and " " in text(node.value, "id"):
            yield _problem("element-id", f"{node.where}.id", "the id of an element has a space", "none", _ELEMENT)
        if "contained" in node.value and node.resource is None:
            yield from _check_contained(node)
        if (check := _BY_TYPE.get(node.type)) is not None:
            yield from check(node)


def _check_contained(node: ElementNode) -> Iterator[Problem]:
    seen: set[str] = set()
    for index, one in enumerate(node.objects("contained")):
        if (name := text(one, "id")) and name in seen:
            what, where = "another contained resource has this id", f"{node.where}.contained[{index}].id"
            yield _problem("contained-id", where, what, "each contained resource with an id of its own", _CONTAINED)
        seen.add(name)


def _check_attachment(node: ElementNode) -> Iterator[Problem]:
    size, digest = node.value.get("size"), text(node.value, "hash")
    if not text(node.value, "data") or (size is None and not digest):
        return
    try:
        data = base64.b64decode("".join(text(node.value, "data").split()), validate=True)
    except (binascii.Error, ValueError):
        return  # malformed: the structure layer's business
    if isinstance(size, int) and size != len(data):
        what = f"the data has {len(data)} bytes"
        yield _problem("attachment-size", f"{node.where}.size", what, "the number of bytes of the data", _ATTACHMENT)
    right = base64.b64encode(hashlib.sha1(data, usedforsecurity=False).digest()).decode()
    if digest and "".join(digest.split()) != right:
        what = "not the hash of the data"
        yield _problem("attachment-hash", f"{node.where}.hash", what, "its SHA-1, in base64", _ATTACHMENT)


def _check_sampled(node: ElementNode) -> Iterator[Problem]:
    if not all(map(_SAMPLE.fullmatch, text(node.value, "data").split())):
        what, remedy = "a sample that is neither a number nor E, U or L", "decimals with a space between, E, U, L"
        yield _problem("sampled-data", f"{node.where}.data", what, remedy, _SAMPLED)


_BY_TYPE: dict[str, Callable[[ElementNode], Iterator[Problem]]] = {
    "Attachment": _check_attachment,
    "SampledData": _check_sampled,
}


def _problem(rule: str, where: str, what: str, remedy: str, section: str) -> Problem:
    return Problem(Severity.ERROR, Layer.INVARIANTS, rule, what, remedy, where=where, section=section)
