"""The proof of a site's codes: what a terminology server said of each, of which edition, and when.

It lies in the site's folder (``FILE``), made by ``newborn-adapter terminology prove``; a person reads it and keeps it
under version control. It holds codes and names and no patient's data.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from functools import cached_property
from pathlib import Path

from pydantic import ValidationError

from adapter.catalogue.code import Frozen
from adapter.problems import Layer, Problem, Severity

FILE = "terminology-proof.json"
"""The name of the proof in a site's folder."""


class Verdict(StrEnum):
    """What a proof says of a code: ``failed`` may not be sent, ``doubtful`` is for a person to look at, ``unproved``
    could not be asked of this server."""

    PROVED = "proved"
    DOUBTFUL = "doubtful"
    FAILED = "failed"
    UNPROVED = "unproved"


class CodeFault(Frozen):
    """One thing that the server's answer says against a code, or that it leaves open."""

    rule: str
    severity: Severity
    what: str
    remedy: str = ""


class ProvedCode(Frozen):
    """A code with all its roles in the catalogue, and what came of it; ``name`` is what the edition calls it."""

    system: str
    code: str
    display: str | None = None
    roles: tuple[str, ...]
    places: tuple[str, ...]
    verdict: Verdict
    name: str | None = None
    findings: tuple[CodeFault, ...] = ()


class Edition(Frozen):
    """The release of a code system that was asked: its version as the server names it, None where it does not."""

    uri: str
    version: str | None = None


class Proof(Frozen):
    """All codes of one catalogue against one server. ``made`` is when the server was asked."""

    format: int = 1
    made: datetime
    server: str
    software: str = ""
    catalogue: str
    editions: Mapping[str, Edition]
    codes: tuple[ProvedCode, ...]

    @cached_property
    def by_code(self) -> Mapping[tuple[str, str], ProvedCode]:
        """The codes by system and code."""
        return {(one.system, one.code): one for one in self.codes}

    @property
    def failed(self) -> list[ProvedCode]:
        """The codes that may not be sent."""
        return [one for one in self.codes if one.verdict is Verdict.FAILED]

    def edition(self, system: str) -> str | None:
        """The version of a code system that was asked, where the server names it."""
        edition = self.editions.get(system)
        return edition.version if edition else None

    def problems(self) -> list[Problem]:
        """All that was found, as problems of the file that the proof is."""
        return [
            Problem(
                found.severity, Layer.TERMINOLOGY, found.rule, f"{one.system} {one.code}: {found.what}", found.remedy,
                where="; ".join(one.places), file=FILE,
            )
            for one in self.codes
            for found in one.findings
        ]  # fmt: skip


def read_proof(site: Path) -> tuple[Proof | None, list[Problem]]:
    """The proof in a site's folder, None where there is none; and why it cannot be read."""
    path = site / FILE
    if not path.is_file():
        return None, []
    try:
        return Proof.model_validate_json(path.read_bytes()), []
    except (OSError, ValidationError) as error:
        what = "is no proof that can be read"
        if isinstance(error, ValidationError):
            first = error.errors(include_url=False, include_input=False)[0]
            what += f": {'.'.join(map(str, first['loc'])) or 'the file'}: {first['msg']}"
        remedy = "make it anew with newborn-adapter terminology prove, or remove it"
        return None, [Problem(Severity.ERROR, Layer.CATALOGUE, "wrong-file", what, remedy, file=FILE)]
