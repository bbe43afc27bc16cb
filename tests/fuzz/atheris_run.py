"""A guided fuzz run, bounded in time and memory; needs the extra ``fuzz`` (atheris).

    python tests/fuzz/atheris_run.py [SECONDS]      default: 120

Begins with the corpus of ``tests/reference`` as JSON and XML. Ends with exit code 0, or with the input that broke it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

with atheris.instrument_imports(include=["adapter"]):
    from target import run

from adapter.fhir.json import dumps, loads  # noqa: E402
from adapter.fhir.xml import FhirXmlError, to_xml  # noqa: E402


def seeds(folder: Path) -> None:
    """The cases of the corpus, each as a file."""
    lines = (HERE.parent / "reference" / "corpus.ndjson").read_bytes().splitlines()
    for number, line in enumerate(lines):
        resource = loads(line)["resource"]
        (folder / f"{number}.json").write_bytes(dumps(resource))
        try:
            (folder / f"{number}.xml").write_bytes(to_xml(resource))
        except FhirXmlError:
            continue
    (folder / "lines.ndjson").write_bytes(b"\n".join(dumps(loads(line)["resource"]) for line in lines[:5]))


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    with tempfile.TemporaryDirectory() as folder:
        seeds(Path(folder))
        limits = [f"-max_total_time={seconds}", "-max_len=20000", "-timeout=10", "-rss_limit_mb=1500", "-verbosity=0"]
        atheris.Setup([sys.argv[0], *limits, folder], lambda data: run(data) and None)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
