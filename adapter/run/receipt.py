"""The receipt of an extract: which exam came from where, and the digest of what it was read from.

``receipt.csv`` has a line for each exam in the extract: the file and the line or row of the input, and the SHA-256
(FIPS 180-4) of that line, of the rows of the exam, or of the whole file. Of resources that were gathered out of an
export it is that of the gathered bundle. An extract that was de-identified has none: it would lead back.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator
from pathlib import Path

from adapter.run.merge import MergeFacts
from adapter.run.pieces import Piece, PieceKind

RECEIPT = "receipt.csv"
_HEADING = ("exam_id", "findings", "input", "file", "at", "sha256")
_STEP = 1 << 20


def digest_of(piece: Piece) -> str:
    """The SHA-256 of what an exam was read from."""
    made = hashlib.sha256(piece.data[piece.header :] if piece.kind is not PieceKind.FILE else b"")
    if piece.kind is PieceKind.FILE:
        with piece.path.open("rb") as file:
            while portion := file.read(_STEP):
                made.update(portion)
    return made.hexdigest()


def write_receipt(folder: Path, exams: Iterator[MergeFacts]) -> None:
    """Write it for the exams that are in the extract."""
    with (folder / RECEIPT).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(_HEADING)
        writer.writerows((one.exam, one.findings, one.kind, one.file, one.at or "", one.digest) for one in exams)
