"""The list of verified published codes (``codes.csv``): nothing outside it is sent.

``status``: ``verified`` codes may be used; a ``candidate`` was seen with too little (ontology cross-references alone,
or neither scale nor semantic tag) and waits for a release; ``look-alike`` and ``extension`` are in the list so that
the linter can say why they are refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from adapter.catalogue.code import Frozen
from adapter.catalogue.files import UnreadableFile, text_of
from adapter.catalogue.site_tables import Row, RowFault, each_row
from adapter.problems import Layer, Problem, Severity


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


def read_verified(path: Any) -> tuple[Mapping[tuple[str, str], VerifiedCode], list[Problem]]:
    """The rows of a ``codes.csv`` by (system, code); what is wrong with those that do not fit, by their line."""
    found, problems = {}, []
    try:
        for row in each_row(text_of(path), lambda columns: _code):
            if isinstance(row, RowFault):
                problems.append(_problem(row.what, row.row))
            else:
                found[row.system, row.code] = row
    except UnreadableFile as error:
        problems.append(_problem(str(error), error.line))
    except ValueError as error:
        problems.append(_problem(str(error), 1))
    return found, problems


def _code(row: Row) -> VerifiedCode:
    return VerifiedCode.model_validate({**row, "global_patient_set": row.get("global_patient_set") == "yes"})


def _problem(what: str, line: int | None) -> Problem:
    remedy = f"the columns {', '.join(VerifiedCode.model_fields)}, comma-separated, UTF-8"
    return Problem(Severity.ERROR, Layer.CATALOGUE, "wrong-file", what, remedy, file="codes.csv", line=line)
