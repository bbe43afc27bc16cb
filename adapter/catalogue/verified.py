"""The list of verified published codes (``codes.csv``): nothing outside it is sent.

``status``: ``verified`` codes may be used; a ``candidate`` was seen with too little (ontology cross-references alone,
or neither scale nor semantic tag) and waits for a release; ``look-alike`` and ``extension`` are in the list so that
the linter can say why they are refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal

from pydantic import Field

from adapter.catalogue.code import Frozen
from adapter.catalogue.site_tables import Row, table_rows


class VerifiedCode(Frozen):
    """A published code and what is known of it; an empty display is never sent.

    ``kind`` is the SNOMED CT semantic tag, or what a LOINC code is (observable, panel, document, answer);
    ``evidence`` how many independent sources, ``seen`` which.
    ``dimension`` is what a quantity under the code must measure (LOINC property), where that is known.
    """

    system: str = Field(min_length=1)
    code: str = Field(min_length=1)
    display: str
    kind: str = ""
    status: Literal["verified", "candidate", "look-alike", "extension"]
    global_patient_set: bool = False
    evidence: str
    seen: str = ""
    dimension: str = ""


def read_verified(path: Any) -> Mapping[tuple[str, str], VerifiedCode]:
    """The rows of a ``codes.csv`` by (system, code). Raises ValueError with what is wrong where a column is missing,
    a row does not fit, or it is no UTF-8."""
    rows = table_rows(path.read_text(encoding="utf-8"), _reader)
    return {(code.system, code.code): code for code in rows}


def _reader(columns: Sequence[str]) -> Callable[[Row], VerifiedCode]:
    fields = VerifiedCode.model_fields
    missing = [name for name, field in fields.items() if field.is_required() and name not in columns]
    if missing:
        raise ValueError(f"lacks the column {missing[0]}; the columns are {','.join(fields)}")
    known = [name for name in fields if name in columns and name != "global_patient_set"]
    return lambda row: VerifiedCode.model_validate(
        {name: row[name] for name in known} | {"global_patient_set": row.get("global_patient_set") == "yes"}
    )
