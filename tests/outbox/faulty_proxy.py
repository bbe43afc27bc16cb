"""An HTTP proxy that fails on request: raw sockets, so that it can cut, hang and lie at any byte.

Started as a process; prints its port and the port that takes orders (one JSON object a line: ``upstream``,
``fault``, ``seed``). Which requests a fault hits depends on the seed alone: each of the first requests that
write with a probability of 0.6, any other request with 0.15, and no more than four in all; permanent refusals
hit one write for good.
"""

from __future__ import annotations

import asyncio
import gzip
import json
import random
import socket
import struct
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from hashlib import sha256
from urllib.parse import urlsplit

HANG = 1.6
MOST = 4


@dataclass
class Order:
    """What is to be done to whom; ``hits`` counts what was done."""

    upstream: str = ""
    fault: str = ""
    chance: random.Random = field(default_factory=random.Random)
    hits: int = 0
    requests: int = 0
    doomed: set[str] = field(default_factory=set)


ORDER = Order()


@dataclass
class Request:
    """A request as it came."""

    head: bytes
    body: bytes
    method: str
    path: str

    @property
    def writes(self) -> bool:
        return self.method in ("POST", "PUT")


def status(code: int, *, retry_after: str = "") -> bytes:
    issue = {"severity": "error", "code": "transient", "diagnostics": f"rehearsed {code}"}
    body = json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}).encode()
    extra = f"Retry-After: {retry_after}\r\n" if retry_after else ""
    return answer(body, f"{code} Rehearsed", extra=extra)


def answer(body: bytes, line: str = "200 OK", kind: str = "application/fhir+json", extra: str = "") -> bytes:
    head = f"HTTP/1.1 {line}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\n{extra}\r\n"
    return head.encode() + body


HTML = b"<html><body>Please sign in.</body></html>"

# What is answered without asking the server.
INSTEAD: dict[str, Callable[[], bytes]] = {
    "401 once more": lambda: status(401),
    "408": lambda: status(408),
    "409": lambda: status(409),
    "412": lambda: status(412),
    "429 with Retry-After": lambda: status(429, retry_after="0"),
    "500": lambda: status(500),
    "502 as a web page": lambda: answer(HTML, "502 Bad Gateway", "text/html"),
    "503 with Retry-After": lambda: status(503, retry_after="Thu, 01 Jan 2026 00:00:00 GMT"),
    "200 as a web page": lambda: answer(HTML, kind="text/html"),
    "200 without a body": lambda: answer(b""),
}
# What is refused for good; one exam's write, every time.
FOR_GOOD = {"400 for good": 400, "403 for good": 403, "422 for good": 422, "500 for good": 500}
# What is answered although the server has carried the request out.
AFTER: dict[str, Callable[[], bytes]] = {
    "500 after the commit": lambda: status(500),
    "504 after the commit": lambda: status(504),
    "web page after the commit": lambda: answer(HTML, kind="text/html"),
}


async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        while (request := await read_request(reader, writer)) is not None:
            ORDER.requests += 1
            await act(request, writer)
            await writer.drain()
    except (ConnectionError, asyncio.IncompleteReadError):
        pass
    finally:
        writer.close()


async def read_request(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> Request | None:
    head = await reader.readuntil(b"\r\n\r\n")
    method, path, _ = head.split(b"\r\n", 1)[0].decode().split(" ", 2)
    request = Request(head, b"", method, path)
    fault = ORDER.fault
    if fault == "reset on arrival" and strikes(request):
        return reset(writer)
    length = int(header(head, b"content-length") or 0)
    if fault == "reset in the request" and length and strikes(request):
        await reader.readexactly(ORDER.chance.randrange(length))
        return reset(writer)
    request.body = await reader.readexactly(length)
    return request


def header(head: bytes, name: bytes) -> str:
    for line in head.split(b"\r\n")[1:]:
        key, _, value = line.partition(b":")
        if key.strip().lower() == name:
            return value.strip().decode()
    return ""


def strikes(request: Request) -> bool:
    """Whether this request is hit; by chance, which the seed decides."""
    struck = ORDER.chance.random() < (0.6 if request.writes else 0.15) and ORDER.hits < MOST
    ORDER.hits += struck
    return struck


def doomed(request: Request) -> bool:
    """Whether this write is refused for good: the first that is struck, and all that are the same."""
    if not request.writes:
        return False
    key = sha256(request.body).hexdigest()
    if not ORDER.doomed and ORDER.chance.random() < 0.5:
        ORDER.doomed.add(key)
    ORDER.hits += key in ORDER.doomed
    return key in ORDER.doomed


def reset(writer: asyncio.StreamWriter) -> None:
    """Close with a reset instead of an end."""
    connection = writer.get_extra_info("socket")
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()


async def act(request: Request, writer: asyncio.StreamWriter) -> None:
    fault = ORDER.fault
    if fault in FOR_GOOD:
        writer.write(status(FOR_GOOD[fault]) if doomed(request) else await forward(request))
    elif fault == "server away":
        await away(request, writer)
    elif fault in ("", "reset on arrival", "reset in the request") or not strikes(request):
        writer.write(await forward(request))
    elif fault in INSTEAD:
        writer.write(INSTEAD[fault]())
    elif fault in AFTER:
        await forward(request)
        writer.write(AFTER[fault]())
    else:
        await CUTS[fault](request, writer)


async def away(request: Request, writer: asyncio.StreamWriter) -> None:
    """Once struck, every request fails for a while, as if the server were being restarted."""
    loop = asyncio.get_running_loop()
    if not ORDER.doomed and request.writes:
        ORDER.doomed.add(str(loop.time() + 0.2 + 0.3 * ORDER.chance.random()))
    if ORDER.doomed and loop.time() < float(next(iter(ORDER.doomed))):
        ORDER.hits += 1
        reset(writer)
        raise ConnectionResetError
    writer.write(await forward(request))


async def lost(request: Request, writer: asyncio.StreamWriter) -> None:
    await forward(request)
    reset(writer)


async def cut_headers(request: Request, writer: asyncio.StreamWriter) -> None:
    await cut(writer, await forward(request), in_head=True)


async def cut_body(request: Request, writer: asyncio.StreamWriter) -> None:
    await cut(writer, await forward(request), in_head=False)


async def cut(writer: asyncio.StreamWriter, whole: bytes, *, in_head: bool) -> None:
    head = whole.index(b"\r\n\r\n") + 4
    writer.write(whole[: ORDER.chance.randrange(head) if in_head else ORDER.chance.randrange(head, len(whole))])
    await writer.drain()
    await asyncio.sleep(0.01)
    reset(writer)


async def truncated(request: Request, writer: asyncio.StreamWriter) -> None:
    body = (await forward(request)).partition(b"\r\n\r\n")[2]
    writer.write(answer(body[: ORDER.chance.randrange(len(body) or 1)]))


async def fewer_entries(request: Request, writer: asyncio.StreamWriter) -> None:
    body = (await forward(request)).partition(b"\r\n\r\n")[2]
    try:
        bundle = json.loads(body)
        bundle["entry"] = bundle["entry"][1:]
    except (ValueError, KeyError):
        bundle = {"resourceType": "Bundle", "type": "transaction-response"}
    writer.write(answer(json.dumps(bundle).encode()))


async def bad_gzip(request: Request, writer: asyncio.StreamWriter) -> None:
    body = gzip.compress((await forward(request)).partition(b"\r\n\r\n")[2])
    writer.write(answer(body[: len(body) // 2] + b"\0\0\0\0", extra="Content-Encoding: gzip\r\n"))


async def silence(request: Request, writer: asyncio.StreamWriter) -> None:
    await asyncio.sleep(HANG)
    raise ConnectionResetError


async def silence_after(request: Request, writer: asyncio.StreamWriter) -> None:
    await forward(request)
    await silence(request, writer)


async def late(request: Request, writer: asyncio.StreamWriter) -> None:
    """The client has given up when the server gets it."""
    await asyncio.sleep(HANG * 0.8)
    await forward(request)
    raise ConnectionResetError


async def latency(request: Request, writer: asyncio.StreamWriter) -> None:
    await asyncio.sleep(0.3 * ORDER.chance.random())
    writer.write(await forward(request))


async def trickle(request: Request, writer: asyncio.StreamWriter) -> None:
    whole = await forward(request)
    step = len(whole) // 12 + 1
    for start in range(0, len(whole), step):
        writer.write(whole[start : start + step])
        await writer.drain()
        await asyncio.sleep(0.02)


CUTS: dict[str, Callable[[Request, asyncio.StreamWriter], Awaitable[None]]] = {
    "answer lost after the commit": lost,
    "answer cut in its headers": cut_headers,
    "answer cut in its body": cut_body,
    "answer truncated, but framed": truncated,
    "answer with too few entries": fewer_entries,
    "answer in broken gzip": bad_gzip,
    "no answer at all": silence,
    "no answer after the commit": silence_after,
    "late: carried out after the time-out": late,
    "latency": latency,
    "slow trickle": trickle,
}

PROXY_FAULTS = [
    "reset on arrival",
    "reset in the request",
    "server away",
    *CUTS,
    *INSTEAD,
    *AFTER,
    *FOR_GOOD,
]


async def forward(request: Request) -> bytes:
    """Ask the server; its whole answer, framed by its length."""
    upstream = urlsplit(ORDER.upstream)
    reader, writer = await asyncio.open_connection(upstream.hostname, upstream.port)
    lines = request.head.split(b"\r\n")
    kept = [line for line in lines if not line.lower().startswith((b"connection:", b"host:", b"accept-encoding:"))]
    head = b"\r\n".join([kept[0], f"Host: {upstream.netloc}".encode(), b"Connection: close", *kept[1:]])
    writer.write(head + request.body)
    whole = await reader.read()
    writer.close()
    head, _, body = whole.partition(b"\r\n\r\n")
    if header(head, b"transfer-encoding").lower() == "chunked":
        body = unchunked(body)
    drop = (b"connection:", b"transfer-encoding:", b"content-length:")
    kept = [line for line in head.split(b"\r\n") if not line.lower().startswith(drop)]
    return b"\r\n".join([*kept, f"Content-Length: {len(body)}".encode(), b"", body])


def unchunked(body: bytes) -> bytes:
    found = bytearray()
    while body:
        size, _, body = body.partition(b"\r\n")
        length = int(size.split(b";")[0], 16)
        found += body[:length]
        body = body[length + 2 :]
    return bytes(found)


async def take_orders(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    global ORDER
    order = json.loads(await reader.readline())
    before = {"hits": ORDER.hits, "requests": ORDER.requests}
    ORDER = Order(order["upstream"], order["fault"], random.Random(f"{order['fault']}/{order['seed']}"))
    writer.write(json.dumps(before).encode() + b"\n")
    await writer.drain()
    writer.close()


async def main() -> None:
    proxy = await asyncio.start_server(serve, "127.0.0.1", 0, limit=2**22)
    control = await asyncio.start_server(take_orders, "127.0.0.1", 0)
    ports = [server.sockets[0].getsockname()[1] for server in (proxy, control)]
    print(json.dumps(dict(zip(("port", "control"), ports, strict=True))), flush=True)
    await asyncio.gather(proxy.serve_forever(), control.serve_forever())


if __name__ == "__main__":
    asyncio.run(main())
