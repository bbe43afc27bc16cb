"""The receipt of an extract: which exam came from where, and the digest of what it was read from.

``receipt.csv`` has a line for each exam in the extract: the file and the line or row of the input, and the SHA-256
(FIPS 180-4) of that line, of the rows of the exam, or of the whole file. Of resources that were gathered out of an
export it is that of the gathered bundle. An extract that was de-identified has none: it would lead back. It has
``SHA256SUMS`` instead, of all files in it, so that what leaves is what was attacked and signed for.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator
from pathlib import Path

from adapter.run.merge import MergeFacts
from adapter.run.pieces import Piece, PieceKind

RECEIPT = "receipt.csv"
SUMS = "SHA256SUMS"
_HEADING = ("exam_id", "findings", "input", "file", "at", "sha256")
_STEP = 1 << 20


def digest_of(piece: Piece) -> str:
    """The SHA-256 of what an exam was read from."""
    if piece.kind is PieceKind.FILE:
        return _of_file(piece.path)
    return hashlib.sha256(piece.data[piece.header :]).hexdigest()


def _of_file(path: Path) -> str:
    made = hashlib.sha256()
    with path.open("rb") as file:
        while portion := file.read(_STEP):
            made.update(portion)
    return made.hexdigest()


def write_sums(folder: Path) -> None:
    """List every file of a release with its SHA-256, as ``sha256sum`` writes and checks it (GNU coreutils)."""
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    lines = [f"{_of_file(folder / name)}  {name}\n" for name in files]
    (folder / SUMS).write_text("".join(lines), encoding="utf-8")


def write_receipt(folder: Path, exams: Iterator[MergeFacts]) -> None:
    """Write it for the exams that are in the extract."""
    with (folder / RECEIPT).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(_HEADING)
        writer.writerows((one.exam, one.findings, one.kind, one.file, one.at or "", one.digest) for one in exams)
