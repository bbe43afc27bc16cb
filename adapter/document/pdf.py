"""A document as PDF for a person, an archive and a machine: tagged (PDF/UA-1), for keeping (PDF/A-3a), with files.

Standards: ISO 14289-1 (PDF/UA-1), ISO 19005-3 (PDF/A-3, level a). Typst, a compiler within the process, sets it by
``paper.typ``: it is given data and fonts alone. The same document gives the same bytes: no clock, no random ids.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from adapter import SOFTWARE
from adapter.document.fonts import loaded
from adapter.document.model import Attached, Document
from adapter.document.pdf_data import data

_STANDARDS = ["a-3a", "ua-1"]
_UNDATED = datetime(2000, 1, 1, tzinfo=UTC)
"""An archive wants a date; of what has none (a blank sheet) it says nothing."""


def to_pdf(document: Document, attached: tuple[Attached, ...] = ()) -> bytes:
    """The PDF, with files inside it. Raises :class:`adapter.document.PdfNotInstalled` where the extra ``pdf`` is not
    installed."""
    fonts = loaded()
    import typst

    compiler: Any = typst.Compiler  # its stub knows files by path alone, not by name and content

    files = {f"attached-{n}": one for n, one in enumerate(attached)}
    told = data(document)
    told["author"] = told["author"] or SOFTWARE
    told["attached"] = [
        {"path": path, "name": one.name, "type": one.content_type, "says": one.says} for path, one in files.items()
    ]
    given = {
        "main.typ": _paper(),
        "document.json": json.dumps(told).encode(),
        **{path: one.content for path, one in files.items()},
    }
    pdf: bytes = compiler(given, font_paths=fonts).compile(
        format="pdf", pdf_standards=_STANDARDS, timestamp=(document.made or _UNDATED).astimezone(UTC)
    )
    return pdf


@cache
def _paper() -> bytes:
    return Path(__file__).with_name("paper.typ").read_bytes()
