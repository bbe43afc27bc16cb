"""The runtime dependencies with their licences, as .ci/licences.csv holds them: what their own metadata say.

    python .ci/licences.py           prints them
    python .ci/licences.py --check   says whether the file still holds what is installed, by names and licences

To be run by the Python of an environment into which .ci/lock.txt was installed.
"""

from __future__ import annotations

import csv
import re
import sys
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

HERE = Path(__file__).parent


def locked() -> list[str]:
    """The names in the lock file."""
    return re.findall(r"^([A-Za-z0-9._-]+)==", (HERE / "lock.txt").read_text(), re.MULTILINE)


def licence(name: str) -> str:
    """As the package states it."""
    about = metadata(name)
    stated = about.get("License-Expression") or (about.get("License") or "").strip()
    if stated and "\n" not in stated:
        return stated
    listed = [
        one.rpartition("::")[2].strip() for one in about.get_all("Classifier") or [] if one.startswith("License ::")
    ]
    return "; ".join(listed) or "not stated"


def main() -> int:
    rows = []
    for name in locked():
        try:
            rows.append([name, licence(name)])
        except PackageNotFoundError:
            print(f"{name} is not needed on this system", file=sys.stderr)
    if "--check" not in sys.argv:
        csv.writer(sys.stdout, lineterminator="\n").writerows([["package", "licence"], *rows])
        return 0
    with (HERE / "licences.csv").open(newline="") as file:
        kept = {row["package"]: row["licence"] for row in csv.DictReader(file)}
    wrong = [f"{name}: {found}, in the file {kept.get(name)}" for name, found in rows if kept.get(name) != found]
    print("\n".join(wrong) or f"{len(rows)} packages, each with its licence")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
