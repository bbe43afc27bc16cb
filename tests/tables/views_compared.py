"""What a runner of ViewDefinitions gives, against the rows of the tables; columns by the names both have.

``python -m tests.tables.views_compared`` compares the rows of @medplum/core (npm; CI runs it), which sees of the
components what the runner in the tests does not.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam
from adapter.read import read_captures
from adapter.write.tables import TABLES, TabledExam
from tests.extracts import written_at_once
from tests.outside.judges import CACHE, MEDPLUM_PACKAGES
from tests.tables.view_runners import Rows, by_medplum

EXAMPLES = Path(__file__).parents[2] / "examples" / "captures"
TABLE_OF = {
    "newborn_findings": "findings",
    "newborn_components": "components",
    "newborn_exams": "exams",
    "newborns": "newborns",
}
KEY = {
    "newborn_findings": ("finding_id",),
    "newborn_components": ("finding_id", "component_code"),
    "newborn_exams": ("exam_id",),
    "newborns": ("newborn_id",),
}


def example_exams(catalogue: Catalogue, names: Iterable[str] = ("d",)) -> list[Exam]:
    """The examples whose file names begin so."""
    found = []
    for path in sorted(EXAMPLES.glob("*.json")):
        if path.name.startswith(tuple(names)):
            found += [r.exam for r in read_captures(path, catalogue) if r.exam is not None]
    return found


def written(exams: Iterable[Exam], catalogue: Catalogue, folder: Path) -> Path:
    """NDJSON and views of the exams."""
    written_at_once(exams, catalogue, folder, ("ndjson", "views"))
    return folder


def ours(view: str, exams: Iterable[Exam], catalogue: Catalogue) -> dict[tuple[Any, ...], dict[str, Any]]:
    """The rows of the table behind a view, by key, with what a view calls otherwise."""
    table = TABLES[TABLE_OF[view]]
    names = [column.name for column in table.columns(catalogue)]
    found = {}
    for exam in exams:
        for cells in table.rows(TabledExam(exam, catalogue), catalogue):
            row = dict(zip(names, cells, strict=True))
            if view == "newborn_findings":
                row["total"] = row["number"] if row["item_type"] == "score" else None
            elif view == "newborn_components":
                row["component_code"] = f"{row['item']}.{row['component']}"
                answer = row["answer"]
                row["answer_code"] = f"{row['component_code']}.{answer}" if answer else None
                if answer:  # the points of a sign are an extension of its answer
                    row["number"] = row["unit"] = None
            found[tuple(row[name] for name in KEY[view])] = row
    return found


def differences(view: str, rows: Rows, expected: dict[tuple[Any, ...], dict[str, Any]], leave: set[str]) -> list[str]:
    """Every cell that differs, and rows that only one side has; ``leave``: columns a runner cannot see."""
    found = []
    theirs = {tuple(row[name] for name in KEY[view]): row for row in rows}
    if len(theirs) != len(rows) or theirs.keys() != expected.keys():
        found.append(
            f"{view}: {len(rows)} rows, {len(expected)} expected: {list(theirs.keys() ^ expected.keys())[:3]}"
        )
    for key in theirs.keys() & expected.keys():
        wanted = expected[key]
        for name in theirs[key].keys() & wanted.keys() - leave:
            if _comparable(theirs[key][name], wanted[name]) != _comparable(wanted[name], wanted[name]):
                found.append(f"{view} {key} {name}: {theirs[key][name]!r}, expected {wanted[name]!r}")
    return found


def _comparable(value: Any, like: Any) -> Any:
    """Empty text is nothing; numbers and moments are compared as such."""
    if value in ("", None):
        return None
    if isinstance(like, datetime):
        return datetime.fromisoformat(value) if isinstance(value, str) else value
    return Decimal(str(value)) if isinstance(like, Decimal | int) and not isinstance(like, bool) else value


def main() -> int:
    """Compare by @medplum/core; exit code 1 where rows differ."""
    installed = CACHE / "medplum"
    if not (installed / "node_modules" / "@medplum" / "core").exists():
        installed.mkdir(parents=True, exist_ok=True)
        command = ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(installed)]
        subprocess.run([*command, *MEDPLUM_PACKAGES], check=True)
    catalogue = load_catalogue()
    exams = [exam for exam in example_exams(catalogue) if exam.details.id != "demo-d10"]  # it was amended
    with tempfile.TemporaryDirectory() as folder:
        rows = by_medplum(written(exams, catalogue, Path(folder)), installed)
    found = []
    for view, theirs in rows.items():
        expected = ours(view, exams, catalogue)
        print(f"{view}: {len(theirs)} rows by @medplum/core, {len(expected)} of ours")
        found += differences(view, theirs, expected, {"birth"})
    print("\n".join(found[:50]) or "no difference")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
