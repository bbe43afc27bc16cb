"""OMOP rows in a PostgreSQL server of their own, under keys: ``python -m tests.omop.in_postgres``.

The server (Debian's ``postgresql``; another with ``--bin FOLDER``) lives in a temporary folder, on a socket alone.
Its tables are made by the published field table (:mod:`tests.omop.cdm_fields`). A field that is named for the key of
another table refers to it, and every ``_concept_id`` to the concepts that are verified here, as the CDM's own keys do
(from memory). Providers, care sites, places and details of visits are empty: nothing may refer to any.
"""

from __future__ import annotations

import argparse
import csv
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from adapter.catalogue import load_catalogue
from adapter.derive.every_use import every_exam
from adapter.write.omop import OmopFiles, load_concepts
from adapter.write.omop.cdm import cdm
from adapter.write.omop.events import UTF_8
from tests.omop.cdm_fields import published_fields

CONCEPTS = Path(__file__).parents[2] / "mappings/omop/concepts.csv"
TYPES = {"integer": "integer", "float": "numeric", "date": "date", "datetime": "timestamp"}
TABLES = ("person", "observation_period", "visit_occurrence", "measurement", "observation", "note")
EMPTY = ("location", "care_site", "provider", "visit_detail")
SAME = {"preceding_visit_occurrence_id": "visit_occurrence"}


def definitions() -> str:
    """The tables, the referring ones last."""
    made = ["create table concept (concept_id integer primary key);"]
    made += [f"create table {name} ({name}_id integer primary key);" for name in EMPTY]
    for table in TABLES:
        fields = []
        for name, kind in published_fields()[table].items():
            type_ = TYPES.get(kind, "text" if kind.endswith("(max)") else kind)
            target = SAME.get(name) or name.removesuffix("_id")
            target = "concept" if name.endswith("_concept_id") else target
            key = " primary key" if name == f"{table}_id" else ""
            needed = " not null" if name in cdm()[table].required else ""
            known = not key and target in {"concept", *TABLES, *EMPTY}
            fields.append(f"{name} {type_}{key}{needed}{f' references {target}' if known else ''}")
        made.append(f"create table {table} ({', '.join(fields)});")
    return "\n".join(made)


def newest() -> Path | None:
    """Where Debian keeps ``initdb`` and ``postgres`` of the newest version; None where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    return found[-1].parent if found else None


def main() -> None:
    """Load every exam of the catalogue's items, and say how many rows stand under how many keys."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--bin", type=Path, default=newest(), help="where initdb and postgres are")
    tools: Path | None = asked.parse_args().bin
    if tools is None:
        raise SystemExit("there is no PostgreSQL here: apt-get install postgresql, or --bin FOLDER")
    catalogue = load_catalogue()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = OmopFiles(folder, catalogue, load_concepts(), notes=True)
        for exam in every_exam(catalogue):
            files.add(exam)
        files.close()
        with server(tools) as psql:
            print(loaded(psql, folder))


@contextmanager
def server(tools: Path) -> Iterator[Callable[[str], str]]:
    """A server of its own, on a socket alone; what it says to a script. A script that fails ends the program, with
    its words."""
    who = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []  # it refuses to run as root
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        home = Path(name)
        if who:
            shutil.chown(home, "postgres")

        def tool(command: str, *arguments: str, text: str = "") -> str:
            asked = [*who, str(tools / command), *arguments]
            done = subprocess.run(asked, input=text, text=True, capture_output=True, cwd=home, check=False)
            if done.returncode:
                raise SystemExit(f"{command}: {done.stderr.strip()[:2000]}")
            return done.stdout

        tool("initdb", "-D", str(home / "data"), "-E", "UTF8", "-A", "trust", "--no-sync")
        options = f"-k {home} -c listen_addresses= -c fsync=off"
        tool("pg_ctl", "-D", str(home / "data"), "-l", str(home / "log"), "-o", options, "-w", "start")
        said = ("-h", str(home), "-d", "postgres", "-v", "ON_ERROR_STOP=1", "-qAt")
        try:
            yield lambda text: tool("psql", *said, text=text)
        finally:
            tool("pg_ctl", "-D", str(home / "data"), "-m", "immediate", "stop")


def loaded(psql: Callable[[str], str], exams: Path) -> str:
    """Fill the server with the tables in a folder; what it counted, of rows and of keys."""
    with CONCEPTS.open(encoding="utf-8") as file:
        ids = sorted({0, UTF_8, *(int(row["concept_id"]) for row in csv.DictReader(file))})
    psql(f"{definitions()}\ninsert into concept values {', '.join(f'({one})' for one in ids)};")
    for table in TABLES:
        rows = (exams / f"{table}.csv").read_text(encoding="utf-8")
        psql(f"copy {table} from stdin with (format csv, header true);\n{rows}\\.\n")
    counts = " union all ".join(f"select '{table}', count(*) from {table}" for table in TABLES)
    keys = "select 'foreign keys', count(*) from pg_constraint where contype = 'f'"
    return psql(f"{counts} union all {keys};")


if __name__ == "__main__":
    main()
