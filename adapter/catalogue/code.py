"""A code of a published system or of a site's own, and how well it fits what it stands for.

How well is a code of R4 concept-map-equivalence, read from ours to the code: *wider* says less than ours, *narrower*
more. A code that is *inexact* or only *relatedto* ours stands in a ConceptMap and never in a Coding, whose codes all
mean the same (FHIR R4 CodeableConcept, section 2.24.0.6).
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict


class Frozen(BaseModel):
    """Base of all catalogue objects: immutable, no unknown fields."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class Worded(Frozen):
    """Whatever has a label; ``within``: how it is written within a sentence, where that is otherwise (``left`` of
    ``Left``). Case is data: what is a noun in one language is none in another."""

    label: str
    within: str = ""

    @property
    def inline(self) -> str:
        """The label within a sentence."""
        return self.within or self.label


Fit = Literal["equal", "equivalent", "wider", "narrower", "inexact", "relatedto"]
"""Codes of R4 concept-map-equivalence (section 4.10) that a code can be graded with."""

MAP_ONLY = ("inexact", "relatedto")
"""Grades with which a code says something else than ours: it is not sent."""

PROJECT, SITE = "project", "site"
"""Who graded a code that does not say it: in ``mappings/`` and in a site's folder."""


class Code(Frozen):
    """One code: system (a key of ``systems.yaml``), code, the display that may be sent with it, and its grade.

    Written in the YAML as ``loinc 8867-4 |Heart rate| equivalent``; without the bars no display is sent. ``by`` (one
    of ``graders.yaml``) says who graded it, a comment in parentheses why: ``snomed 60728008 |Swollen abdomen| wider
    by site (ours says tense as well)``. ``fit`` is None where nobody graded it, which the linter refuses.
    """

    system: str
    code: str
    display: str | None = None
    fit: Fit | None = None
    by: str = PROJECT
    comment: str = ""

    def __str__(self) -> str:
        return f"{self.system} {self.code}" + (f" |{self.display}|" if self.display else "")


_CODE = re.compile(
    r"(?P<system>[a-z0-9-]+) +(?P<code>\S+)(?: +\|(?P<display>[^|]+)\|)?"
    r"(?: +(?P<fit>equal|equivalent|wider|narrower|inexact|relatedto)(?: +by +(?P<by>[a-z0-9-]+))?"
    r"(?: +\((?P<comment>[^()]+)\))?)?"
)


def _read_code(value: Any) -> Any:
    if isinstance(value, str):
        found = _CODE.fullmatch(value.strip())
        if not found:
            raise ValueError(f"'{value}' is not a code; write it as loinc 8867-4 |Heart rate| equivalent")
        return {name: part for name, part in found.groupdict().items() if part is not None}
    return value


CodeText = Annotated[Code, BeforeValidator(_read_code)]
Codes = tuple[CodeText, ...]


_HOLD_CODES = ("codes", "codes_by", "maps", "left", "right", "section_codes", "encounter_type")


def is_code(text: str) -> bool:
    """Whether a text is a code as the YAML writes it, with its system."""
    return _CODE.fullmatch(text.strip()) is not None


def graded_by(grader: str, raw: Any, holds_codes: bool = False) -> Any:
    """Raw YAML in which ``grader`` graded every code that does not say who did."""
    if isinstance(raw, dict):
        for key, value in raw.items():
            raw[key] = graded_by(grader, value, holds_codes or key in _HOLD_CODES)
    elif isinstance(raw, list):
        raw[:] = [graded_by(grader, entry, holds_codes) for entry in raw]
    elif isinstance(raw, str) and holds_codes:
        found = _CODE.fullmatch(raw.strip())
        if found is not None and found["fit"] is not None and found["by"] is None:
            text, end = raw.strip(), found.end("fit")
            return f"{text[:end]} by {grader}{text[end:]}"
    return raw


def equivalent_by(grader: str, text: str) -> str:
    """A code's text, graded as equivalent where it has no grade."""
    found = _CODE.fullmatch(text.strip())
    return text if found is None or found["fit"] is not None else f"{text.strip()} equivalent by {grader}"
