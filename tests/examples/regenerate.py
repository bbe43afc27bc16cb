"""Makes ``exams.csv`` and the golden files of ``bundles/``, ``tell/``, ``reports/`` and ``v2/`` from ``captures/``,
all in ``examples/``. They are kept for people to read; of everything else ``tests/golden`` keeps digests.

Run it where the package is installed: ``python tests/examples/regenerate.py``. Read the difference before
committing it: a golden file that changes is a change of what every site sends.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path
from typing import Any

from adapter.catalogue import load_catalogue
from adapter.cli.reporting import cautions, heading, tells_in_words
from adapter.derive import age_in_words
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps
from adapter.read import read_captures
from adapter.read.csv_writer import to_csv
from adapter.write import write
from adapter.write.v2 import to_oru

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
CAPTURES = EXAMPLES / "captures"
CSV = EXAMPLES / "exams.csv"
BUNDLES = EXAMPLES / "bundles"
TELL = EXAMPLES / "tell"
REPORTS = EXAMPLES / "reports"
V2 = EXAMPLES / "v2"
FOLDERS = (BUNDLES, TELL, REPORTS, V2)
MUCH_TO_TELL, AMENDED = "d05-boy-weak-femorals-failed-screen", "d10-2-girl-scalp-swelling-amended"
AS_BUNDLES = ("d01-well-term-girl", MUCH_TO_TELL, "d08a-first-twin-girl")
"""The examples that are kept as bundles: a whole exam, one with much to tell, a short one."""
FOR_PEOPLE = (
    "d05-boy-weak-femorals-failed-screen",
    "d07-2-boy-cleft-soft-palate",
    "d10-2-girl-scalp-swelling-amended",
)
"""The examples that are kept as reports; the second is compared with the exam before it."""
AS_V2 = (
    "d05-boy-weak-femorals-failed-screen",
    "d08b-second-twin-girl-low-glucose",
    "d10-2-girl-scalp-swelling-amended",
)
"""Those that are kept as messages of HL7 v2, the last with what it withdraws of the first version."""

HOW = "python tests/examples/regenerate.py"


def names() -> list[str]:
    """The examples' names, in their order."""
    return sorted(path.stem for path in CAPTURES.glob("*.json"))


def example(name: str) -> Exam:
    """The exam of an example; raises ValueError with its problems where it has errors."""
    (reading,) = read_captures(CAPTURES / f"{name}.json", load_catalogue())
    if reading.exam is None or reading.errors:
        raise ValueError("\n".join(str(problem) for problem in reading.errors))
    return reading.exam


@cache
def bundle(name: str) -> dict[str, Any]:
    """The collection bundle of an example."""
    return to_bundle(example(name), load_catalogue(), BundleType.COLLECTION)


def made() -> dict[Path, bytes]:
    """Every file that is made from the captures, and its bytes."""
    catalogue = load_catalogue()
    exams = {name: example(name) for name in names()}
    files = {CSV: to_csv(exams.values()).encode()}
    for name in exams:
        files[TELL / f"{name}.txt"] = _told(name).encode()
    for name in AS_BUNDLES:
        files[BUNDLES / f"{name}.json"] = dumps(bundle(name), pretty=True)
    for name in AS_V2:
        before = [to_oru(e, catalogue) for e in exams.values() if e.details.id == exams[name].details.amends]
        files[V2 / f"{name}.er7"] = to_oru(exams[name], catalogue, before)
    every = tuple(exams.values())
    for name in FOR_PEOPLE:
        files[REPORTS / f"{name}.html"] = write(exams[name], catalogue, "report", "html", earlier=every)
    return files


def _told(name: str) -> str:
    """The tell list of an example as a person reads it, with counts first and the cautions last."""
    catalogue = load_catalogue()
    (reading,) = read_captures(CAPTURES / f"{name}.json", catalogue)
    assert reading.exam is not None
    age = f"  {age_in_words(reading.exam, catalogue.words)}"
    lines = [heading(reading.exam, reading, catalogue), age, *tells_in_words(reading.exam, catalogue)]
    return "\n".join([*lines, cautions(catalogue)]) + "\n"


def kept() -> set[Path]:
    """Every such file that is there now."""
    return {path for path in (CSV, *(path for folder in FOLDERS for path in folder.glob("*"))) if path.exists()}


def main() -> None:
    """Write what has changed, remove what no example makes any more, and say so."""
    for folder in FOLDERS:
        folder.mkdir(exist_ok=True)
    files = made()
    for path in sorted(kept() - set(files)):
        path.unlink()
        print(f"removed {path.relative_to(EXAMPLES)}")
    for path, content in files.items():
        if not path.exists() or path.read_bytes() != content:
            new = path.with_name(path.name + ".new")
            new.write_bytes(content)
            new.replace(path)
            print(f"wrote {path.relative_to(EXAMPLES)}")
    print(f"{len(files)} files, {sum(map(len, files.values())) / 1e6:.1f} MB", file=sys.stderr)


if __name__ == "__main__":
    main()
