"""Outbox files of earlier versions of this program, brought to the layout of today in one transaction."""

from __future__ import annotations

import json
import re
import sqlite3
from typing import Any

_PLACE = re.compile(r"(?:^|/)(?P<place>[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/[^/]+)?$")
_PAGE = 200


def from_version_1(db: sqlite3.Connection) -> None:
    """Version 1 kept with every message what only a FHIR server needs, and its answers by full URL.

    Raises ``ValueError`` that names the message that cannot be read.
    """
    db.execute("ALTER TABLE message RENAME COLUMN about TO own")
    db.execute("ALTER TABLE message RENAME COLUMN outcomes TO parts")
    last = 0
    while page := db.execute(
        "SELECT seq, own, parts FROM message WHERE seq > ? ORDER BY seq LIMIT ?", (last, _PAGE)
    ).fetchall():
        for seq, about, outcomes in page:
            try:
                values = _converted(json.loads(about), json.loads(outcomes))
            except (ValueError, KeyError, TypeError):
                raise ValueError(f"message {seq} cannot be read") from None
            db.execute("UPDATE message SET own = ?, parts = ? WHERE seq = ?", (*values, seq))
        last = page[-1][0]


def from_version_2(db: sqlite3.Connection) -> None:
    """Version 2 gave an exam up by its attempts alone, and kept nothing of what had arrived once it was purged."""
    db.execute("ALTER TABLE message ADD COLUMN strikes INTEGER NOT NULL DEFAULT 0")
    db.execute("ALTER TABLE message ADD COLUMN waited REAL NOT NULL DEFAULT 0")
    db.execute("UPDATE message SET strikes = attempts")
    db.execute("DROP INDEX message_open")
    db.execute("CREATE INDEX message_due ON message (target, state, due, seq)")
    db.execute("CREATE INDEX message_ended ON message (target, ended)")
    db.execute(
        "CREATE TABLE arrived (number INTEGER PRIMARY KEY AUTOINCREMENT, target TEXT NOT NULL, exam TEXT NOT NULL,"
        " root TEXT NOT NULL, moment TEXT NOT NULL, parts BLOB NOT NULL) STRICT"
    )
    db.execute("CREATE INDEX arrived_root ON arrived (target, root, number)")


def from_version_3(db: sqlite3.Connection) -> None:
    """Version 3 knew amendments of one exam apart by their arrival alone: the later one goes on being the newer."""
    db.execute("ALTER TABLE message ADD COLUMN depth INTEGER NOT NULL DEFAULT 0")
    db.execute("ALTER TABLE message ADD COLUMN recorded REAL")
    db.execute("ALTER TABLE message ADD COLUMN amends TEXT")
    db.execute("UPDATE message SET amends = root WHERE exam <> root")
    db.execute(
        "UPDATE message SET depth = (SELECT count(DISTINCT before.exam) FROM message AS before WHERE"
        " before.target = message.target AND before.root = message.root AND before.rank = message.rank AND"
        " before.seq <= (SELECT min(seq) FROM message AS own WHERE own.target = message.target AND"
        " own.exam = message.exam AND own.root = message.root)) WHERE rank > 0"
    )


def from_version_4(db: sqlite3.Connection) -> None:
    """Version 4 sent every message by itself."""
    db.execute("ALTER TABLE message ADD COLUMN follows INTEGER")
    db.execute("CREATE INDEX message_follows ON message (follows) WHERE follows IS NOT NULL")


def _converted(about: dict[str, Any], outcomes: list[list[Any]]) -> tuple[str, str]:
    names = dict(zip(about["full_urls"], about["names"], strict=True))
    is_fhir = bool(about["provenance"])
    parts = []
    for full_url, status, location, _, version, remarks in outcomes:
        match = _PLACE.search(location)
        place = match["place"] if match else location
        # A listener of HL7 v2 had the code of its acknowledgement for a location.
        answer, place = (str(status), place) if is_fhir else (location, "")
        parts.append([names.get(full_url, "marked as entered in error"), answer, place, version, remarks])
    own = {name: about[name] for name in ("full_urls", "names", "provenance", "systems")} if is_fhir else {}
    return json.dumps(own), json.dumps(parts)
