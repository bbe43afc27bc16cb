"""What all parts of the capture record have in common; text and time as it takes them, which FHIR JSON and XML can
both carry.
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import Annotated, Any

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, StringConstraints


class RecordPart(BaseModel):
    """A part of the capture record: never changed, and without keys that nobody knows."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True, populate_by_name=True)


# Characters that XML 1.0 (section 2.2, Char) cannot carry; a string with one of them could not be exported.
_NOT_XML = re.compile("[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\ud800-\\udfff\\ufffe\\uffff]")


def _clean(text: str) -> str:
    if _NOT_XML.search(text):
        raise ValueError("holds a control character that neither FHIR nor XML can carry; remove it")
    if text != text.strip() or not text:
        raise ValueError("must not be empty, or begin or end with a space")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _dated(value: Any) -> Any:
    """ISO 8601 text only: pydantic would also take a bare number as seconds since 1970."""
    if isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not _ISO.fullmatch(value):
        raise ValueError("must be an ISO 8601 time with its offset, such as 2026-03-01T08:30:00+01:00")
    return value


_ISO = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d:\d\d)")

Text = Annotated[str, AfterValidator(_clean)]
"""One or more characters, trimmed, free of control characters (FHIR R4 datatypes, string)."""

Line = Annotated[str, AfterValidator(_clean), StringConstraints(pattern=r"^[^\n\r\t]*$", max_length=255)]
"""Text on one line."""

Key = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_\-]*$", max_length=80)]
"""The id of something in the catalogue: an item, an answer, a reason, a site."""

Moment = Annotated[AwareDatetime, BeforeValidator(_dated)]
"""A point in time; the offset from UTC is obligatory, so that a clock change never moves a finding."""
