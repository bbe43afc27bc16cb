"""The list of verified published codes (``codes.csv``): nothing outside it is sent.

``status``: ``verified`` codes may be used; a ``candidate`` was seen with too little (ontology cross-references alone,
or neither scale nor semantic tag) and waits for a release; ``look-alike`` and ``extension`` are in the list so that
the linter can say why they are refused.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from typing import Any, Literal

from adapter.catalogue.code import Frozen


class VerifiedCode(Frozen):
    """A published code and what is known of it; an empty display is never sent.

    ``kind`` is the SNOMED CT semantic tag, or what a LOINC code is (observable, panel, document, answer);
    ``evidence`` how many independent sources, ``seen`` which.
    ``dimension`` is what a quantity under the code must measure (LOINC property), where that is known.
    """

    system: str
    code: str
    display: str
    kind: str = ""
    status: Literal["verified", "candidate", "look-alike", "extension"]
    global_patient_set: bool = False
    evidence: str
    seen: str = ""
    dimension: str = ""


def read_verified(path: Any) -> Mapping[tuple[str, str], VerifiedCode]:
    """The rows of a ``codes.csv`` by (system, code). Raises ValueError where a row does not fit."""
    found = {}
    for row in csv.DictReader(path.read_text(encoding="utf-8").splitlines()):
        values = {**row, "global_patient_set": row["global_patient_set"] == "yes"}
        code = VerifiedCode.model_validate(values)
        found[code.system, code.code] = code
    return found
