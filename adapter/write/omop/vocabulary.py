"""A site's own vocabularies: the concept of every code that the catalogue sends, and whether the shipped ids hold.

``CONCEPT.csv`` is the table CONCEPT of the OMOP Standardized Vocabularies as every OMOP site has it: tab-separated,
no quoting, with the columns of the CDM 5.4 (``standard_concept`` S for a standard concept, ``invalid_reason`` empty
for a valid one). A code that is there without being standard is not mapped: which standard concept it maps to stands
in another table, and is looked up where that (``CONCEPT_RELATIONSHIP.csv``, "Maps to") lies beside it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.problems import AdapterError, ExitCode
from adapter.write.omop.concepts import Concept, Concepts

NEEDED = ("concept_id", "concept_name", "domain_id", "vocabulary_id", "standard_concept", "concept_code")
VOCABULARIES = {"LOINC": "loinc", "SNOMED": "snomed", "UCUM": "ucum", "Gender": "gender"}
"""By their ``vocabulary_id``: those whose codes the catalogue sends."""
_GENDERS = {"M": "male", "F": "female"}
_BESIDES = ("{score}", "h")
"""Units of rows that no item has."""


class BadVocabulary(AdapterError, ValueError):
    """A file that is no table CONCEPT."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Checked:
    """What a vocabulary says of a code, beside the concept id that is shipped (0 for none).

    ``verdict``: ``agrees``, ``differs``, ``new`` (none was shipped), ``not standard``, ``not there``.
    """

    vocabulary: str
    code: str
    shipped: int
    found: int
    domain: str
    name: str
    verdict: str


@dataclass(frozen=True, slots=True)
class _Row:
    id: int
    name: str
    domain: str
    vocabulary: str
    code: str
    standard: bool


def concepts_of(path: Path, catalogue: Catalogue, shipped: Concepts) -> tuple[Concepts, tuple[Checked, ...]]:
    """The concepts of all codes that the catalogue sends, and how the shipped ones compare.

    The vocabulary's word counts where the two differ; of a shipped id whose code the vocabulary does not have, or not
    as a standard concept, nothing is left. What no vocabulary of codes has (operators, visits, types) stays as it is.
    Raises :class:`BadVocabulary`.
    """
    wanted = {(code.system, code.code) for _, code in catalogue.codes() if code.system in VOCABULARIES.values()}
    wanted |= {("ucum", unit) for unit in (*catalogue.units, *_BESIDES)} | {("gender", g) for g in _GENDERS.values()}
    wanted |= {(vocabulary, code) for vocabulary, code, _ in shipped.all() if vocabulary in VOCABULARIES.values()}
    rows = {(row.vocabulary, row.code): row for row in _rows(path, wanted)}
    standard = _mapped(path.with_name("CONCEPT_RELATIONSHIP.csv"), path, [r for r in rows.values() if not r.standard])
    known = {(vocabulary, code): concept for vocabulary, code, concept in shipped.all()}
    checked = []
    for key in sorted(wanted):
        row, before = rows.get(key), known.pop(key, None)
        target = None if row is None else row if row.standard else standard.get(row.id)
        if target is not None:
            known[key] = Concept(target.id, target.domain, target.name)
        checked.append(_checked(key, row, target, before))
    return Concepts((*key, concept) for key, concept in known.items()), tuple(checked)


def _checked(key: tuple[str, str], row: _Row | None, target: _Row | None, before: Concept | None) -> Checked:
    if row is None or target is None:
        shown, verdict = row, "not there" if row is None else "not standard"
    else:
        same = before is not None and (before.id, before.domain) == (target.id, target.domain)
        shown, verdict = target, "new" if before is None else "agrees" if same else "differs"
    found = target.id if target else 0
    domain, name = (shown.domain, shown.name) if shown else ("", "")
    return Checked(*key, before.id if before else 0, found, domain, name, verdict)


def _rows(path: Path, wanted: set[tuple[str, str]]) -> Iterator[_Row]:
    for cells in _table(path, NEEDED):
        vocabulary = VOCABULARIES.get(cells["vocabulary_id"], "")
        code = _GENDERS.get(cells["concept_code"], "") if vocabulary == "gender" else cells["concept_code"]
        if (vocabulary, code) in wanted and not cells.get("invalid_reason"):
            yield _row(path, cells, vocabulary, code)


def _row(path: Path, cells: dict[str, str], vocabulary: str, code: str) -> _Row:
    number = cells["concept_id"]
    if not number.isdigit():
        raise BadVocabulary(f"{path} has a concept_id that is no number; give CONCEPT.csv as it was downloaded")
    # A unit or an answer may be standard without the flag's being S only in other tables; here S alone counts.
    standard = cells["standard_concept"] == "S"
    return _Row(int(number), cells["concept_name"], cells["domain_id"], vocabulary, code, standard)


def _mapped(relations: Path, path: Path, rows: list[_Row]) -> dict[int, _Row]:
    """By id: the one standard concept that each of these maps to; where there are several, none."""
    if not rows or not relations.is_file():
        return {}
    wanted, targets = {str(row.id) for row in rows}, dict[str, set[str]]()
    for cells in _table(relations, ("concept_id_1", "concept_id_2", "relationship_id")):
        if (
            cells["relationship_id"] == "Maps to"
            and cells["concept_id_1"] in wanted
            and not cells.get("invalid_reason")
        ):
            targets.setdefault(cells["concept_id_1"], set()).add(cells["concept_id_2"])
    single = {source: next(iter(found)) for source, found in targets.items() if len(found) == 1}
    ids = set(single.values())
    found = {
        cells["concept_id"]: _row(path, cells, "", cells["concept_code"])
        for cells in _table(path, NEEDED)
        if cells["concept_id"] in ids and cells["standard_concept"] == "S" and not cells.get("invalid_reason")
    }
    return {int(source): found[target] for source, target in single.items() if target in found}


def _table(path: Path, needed: tuple[str, ...]) -> Iterator[dict[str, str]]:
    """Row after row of a table of millions."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, delimiter="\t", quoting=csv.QUOTE_NONE)
            names = [name.strip().lower() for name in next(reader, [])]
            missing = [name for name in needed if name not in names]
            if missing:
                what = "tab-separated, with the columns of the OMOP CDM"
                raise BadVocabulary(
                    f"{path} has no column {', '.join(missing)}; give it as it was downloaded, {what}"
                )
            for cells in reader:
                if len(cells) == len(names):
                    yield dict(zip(names, cells, strict=True))
    except OSError as error:
        raise BadVocabulary(f"{path} cannot be read: {error.strerror}") from None
    except (UnicodeDecodeError, csv.Error):
        raise BadVocabulary(f"{path} is no text in UTF-8; give it as it was downloaded") from None
