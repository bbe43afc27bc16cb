"""A listener of HL7 v2 that is not ours: the asyncio server of hl7 0.4.5 (PyPI), in a process of its own.

``python listener.py LOG BEHAVIOUR...``: prints its port, writes each message that arrives as a line of JSON into LOG,
and answers the first with the first behaviour, and so on; after the last one with AA. Over TLS where the environment
variable LISTENER_PEM names a certificate with its key.

| behaviour | what it does |
|---|---|
| AA, AE, AR, CA, CE, CR | acknowledges so, made by hl7's own ``create_ack`` |
| AE:204, AR:207 .. | the same, with an ERR segment of that code, at PID-3 |
| CA+AA, CA+AE | two acknowledgements, one after the other |
| silent | nothing at all |
| wrong-id | AA of another message |
| late | AA of another message first, and of this one a little later |
| reset | half an acknowledgement, then the connection is reset |
| close | closes without a word |
| split | AA in pieces of one byte |
| garbage | bytes that are no block before the block, and within it a broken-off start |
| nonsense | a block that is no acknowledgement |
| old-err | AE with an ERR segment as versions before 2.5 have it (ERR-1) |
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import ssl
import struct
import sys
from pathlib import Path

import hl7
from hl7.mllp import HL7StreamReader, HL7StreamWriter, start_hl7_server

LOG = Path(sys.argv[1])
BEHAVIOURS = sys.argv[2:]
START, END = b"\x0b", b"\x1c\r"


def acknowledgement(message: hl7.Message, code: str, *, control_id: str = "", error: str = "") -> bytes:
    made = message.create_ack(code)
    if control_id:
        made["MSA"][0][2] = control_id
    segments = str(made).rstrip("\r").split("\r")
    if error:
        name = str(message.segment("PID")[5])
        segments.append(f"ERR||PID^1^3|{error}^from table 0357^HL70357|E||||refused {name} for {error}")
    return "".join(f"{one}\r" for one in segments).encode()


async def answer(how: str, message: hl7.Message, writer: HL7StreamWriter) -> None:
    code, _, error = how.partition(":")
    block = START + acknowledgement(message, code[:2] if code[:2].isupper() else "AA", error=error) + END
    other = START + acknowledgement(message, "AA", control_id="ANOTHER") + END
    if how == "wrong-id":
        writer.write(other)
    elif how == "late":
        writer.write(other)
        await writer.drain()
        await asyncio.sleep(0.2)
        writer.write(block)
    elif how == "reset":
        writer.write(block[:20])
        await writer.drain()
        await asyncio.sleep(0.05)
        raw = writer.get_extra_info("socket")
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        writer.close()
    elif how == "close":
        writer.close()
    elif how == "split":
        for byte in block:
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0)
    elif how == "garbage":
        writer.write(b"\r\n*** hello ***\x1c" + START + b"MSH|^~\\&|broken off" + block)
    elif how == "nonsense":
        writer.write(START + b"MSH|^~\\&|X\rZZZ|what\r" + END)
    elif how == "old-err":
        made = acknowledgement(message, "AE") + b"ERR|OBX^3^5^102&Data type error&HL70357\r"
        writer.write(START + made + END)
    elif "+" in how:
        for one in how.split("+"):
            writer.write(START + acknowledgement(message, one) + END)
            await writer.drain()
            await asyncio.sleep(0.05)
    elif how != "silent":
        writer.write(block)
    if how not in ("reset", "close"):
        await writer.drain()


async def connected(reader: HL7StreamReader, writer: HL7StreamWriter) -> None:
    while not reader.at_eof():
        try:
            block = await reader.readblock()
        except (asyncio.IncompleteReadError, ConnectionError):
            break
        message = hl7.parse(block.decode())
        how = BEHAVIOURS.pop(0) if BEHAVIOURS else "AA"
        with LOG.open("a") as log:
            told = {"control_id": str(message.segment("MSH")[10]), "answer": how, "message": block.decode()}
            log.write(json.dumps(told) + "\n")
        await answer(how, message, writer)
    writer.close()


async def main() -> None:
    tls = None
    if "LISTENER_PEM" in os.environ:
        tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        tls.load_cert_chain(os.environ["LISTENER_PEM"])
    server = await start_hl7_server(connected, "127.0.0.1", 0, limit=2**22, ssl=tls)
    print(server.sockets[0].getsockname()[1], flush=True)
    async with server:
        await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main())
