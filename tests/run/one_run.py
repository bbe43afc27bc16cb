"""A run as a process of its own, to be killed: ``python one_run.py '{"work": .., "inputs": [..], "out": ..}'``."""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path

from odd_works import Poisoned

from adapter.run import RunError, run
from adapter.run.convert import Convert, Layout
from adapter.run.extract import Extract

WORKS = {
    "convert": Convert(),
    "packed": Convert(packed=True),
    "parts": Convert(layout=Layout.PARTS, packed=True),
    "each": Convert(layout=Layout.EACH),
    "tables": Extract(tables=("findings", "newborns")),
    "forms": Extract(forms=("ndjson", "views", "omop")),
    "deidentified": Extract(tables=("exams",), policy="limited-data-set", key_env="STUDY_KEY"),
    "poisoned": Poisoned(),
}


def main() -> int:
    """0 done, else the exit code, the reason on standard error; on standard output summary and peak of memory."""
    asked = json.loads(sys.argv[1])
    work, inputs, out = WORKS[asked.pop("work")], [Path(p) for p in asked.pop("inputs")], Path(asked.pop("out"))
    if "file_size" in asked:
        limit = asked.pop("file_size")
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        summary = run(work, inputs, out, **asked)
    except RunError as error:
        print(error, file=sys.stderr)
        return int(error.exit_code)
    kinds = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    peaks = [resource.getrusage(kind).ru_maxrss for kind in kinds]
    print(json.dumps({**summary.as_dict(), "peaks": peaks}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
