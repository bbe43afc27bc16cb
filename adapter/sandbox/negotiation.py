"""What the client sends and what it wants back: media types, Prefer, compressed bodies.

FHIR R4 RESTful API, section 3.1.0.1 (content types and encodings, managing return content); RFC 9110 for
Accept; RFC 7240 for Prefer.
"""

from __future__ import annotations

import zlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any, Literal

from adapter.fhir import json as fhir_json
from adapter.fhir import xml as fhir_xml
from adapter.sandbox.refusal import Refusal

Format = Literal["json", "xml"]

MEDIA_TYPE: dict[Format, str] = {"json": "application/fhir+json", "xml": "application/fhir+xml"}

_ACCEPTED: dict[str, Format] = {
    "json": "json",
    "application/json": "json",
    "application/fhir+json": "json",
    "text/json": "json",
    "xml": "xml",
    "application/xml": "xml",
    "application/fhir+xml": "xml",
    "text/xml": "xml",
    "*/*": "json",
    "application/*": "json",
    "text/*": "xml",
}


@dataclass(frozen=True, slots=True)
class BodyLimits:
    """How many bytes a body may have, as it comes over the wire and once it is unpacked."""

    received: int = 16 * 1024 * 1024
    unpacked: int = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Preference:
    """The Prefer header: ``returned`` None when the client says nothing; ``strict`` and ``lenient`` for handling,
    ``asynchronous`` for respond-async."""

    returned: str | None = None
    strict: bool = False
    lenient: bool = False
    asynchronous: bool = False


def wanted(accept: str, format_: str | None) -> Format:
    """The format of the answer: ``_format`` first, then Accept by quality, else JSON; 406 if it is neither."""
    if format_:
        # A + in a query string arrives as a blank.
        choices = [(1.0, format_.replace(" ", "+"))]
    else:
        choices = sorted((_quality(part) for part in accept.split(",") if part.strip()), key=lambda c: -c[0])
    for quality, value in choices:
        media, parameters = _media(value)
        if quality > 0 and media in _ACCEPTED and _r4(parameters):
            return _ACCEPTED[media]
    if choices:
        raise Refusal(406, "not-supported", f"answers are {' or '.join(MEDIA_TYPE.values())}, FHIR version 4.0")
    return "json"


def preference(headers: list[str]) -> Preference:
    """Read the Prefer headers; what is not known is left out, as RFC 7240 asks."""
    said: dict[str, str] = {}
    for token in ",".join(headers).replace(";", ",").split(","):
        name, _, value = token.strip().partition("=")
        said.setdefault(name.strip().lower(), value.strip().strip('"'))
    returned = said.get("return")
    return Preference(
        returned if returned in ("minimal", "representation", "OperationOutcome") else None,
        said.get("handling") == "strict",
        said.get("handling") == "lenient",
        "respond-async" in said,
    )


def decode(body: bytes, content_type: str) -> Any:
    """The resource in a request body; 415 for another type than FHIR JSON or XML, 400 if it cannot be read."""
    media, parameters = _media(content_type)
    format_ = _ACCEPTED.get(media) if "/" in media and "*" not in media else None
    if format_ is None or not _r4(parameters) or parameters.get("charset", "utf-8").lower() != "utf-8":
        raise Refusal(
            415, "not-supported", f"Content-Type must be {' or '.join(MEDIA_TYPE.values())}, UTF-8, FHIR 4.0"
        )
    try:
        return fhir_json.loads(body) if format_ == "json" else fhir_xml.from_xml(body)
    except ValueError as error:
        raise Refusal(400, "structure", f"the body cannot be read as FHIR {format_.upper()}: {error}") from None


def encode(resource: dict[str, Any], format_: Format, *, pretty: bool) -> bytes:
    """A resource in the format of the answer."""
    dump = fhir_json.dumps if format_ == "json" else fhir_xml.to_xml
    return dump(resource, pretty=pretty)


async def body(stream: AsyncIterator[bytes], encoding: str, limits: BodyLimits) -> bytes:
    """The whole body, unpacked if it is gzip; 413 over the limits, 415 for another encoding.

    The limit on the unpacked size holds while unpacking, so that a small body cannot fill the memory.
    """
    if encoding not in ("", "identity", "gzip"):
        raise Refusal(415, "not-supported", "Content-Encoding must be gzip or none")
    received = bytearray()
    async for chunk in stream:
        received += chunk
        if len(received) > limits.received:
            raise Refusal(413, "too-long", f"the body is over {limits.received} bytes")
    return _unpack(bytes(received), limits.unpacked) if encoding == "gzip" else bytes(received)


def _unpack(packed: bytes, limit: int) -> bytes:
    unpacker = zlib.decompressobj(wbits=16 + zlib.MAX_WBITS)
    try:
        plain = unpacker.decompress(packed, limit + 1)
    except zlib.error:
        raise Refusal(400, "structure", "the body is not gzip, though Content-Encoding says so") from None
    if len(plain) > limit:
        raise Refusal(413, "too-long", f"the body is over {limit} bytes once unpacked")
    if not unpacker.eof or unpacker.unused_data:
        raise Refusal(400, "structure", "the gzip body is cut short or has something after its end")
    return plain


def _quality(part: str) -> tuple[float, str]:
    _, parameters = _media(part)
    try:
        return float(parameters.get("q", "1")), part
    except ValueError:
        return 0.0, part


def _media(value: str) -> tuple[str, dict[str, str]]:
    media, *parameters = value.split(";")
    pairs = (p.partition("=") for p in parameters)
    return media.strip().lower(), {n.strip().lower(): v.strip().strip('"') for n, _, v in pairs}


def _r4(parameters: dict[str, str]) -> bool:
    """Whether the fhirVersion parameter of a media type, if there, is R4's."""
    return parameters.get("fhirversion", "4.0") in ("4.0", "4.0.1")
