"""The tables of an extract in Parquet as Delta Lake tables, one folder each.

    newborn-adapter extract exams/ --format parquet --out study/
    pip install deltalake
    python examples/delta/to_delta.py study/ /lake/newborn-exams

Each run is a new version of every table, which replaces the one before; earlier ones stay readable by their number
(``DeltaTable(path, version=0)``) until they are vacuumed. What was retracted or left out of a later extract is in
them until then: vacuum where it must be gone. Nothing here de-identifies.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from deltalake import write_deltalake
from pyarrow.dataset import dataset

from adapter.write.tables import TABLES


def to_delta(extract: Path, lake: str) -> None:
    """A version of each table that the extract has, batch after batch."""
    for name, table in TABLES.items():
        single = extract / f"{name}.parquet"  # a large table is a folder of parts
        source = single if single.is_file() else extract / name
        if source.exists():
            rows = dataset(source, format="parquet").scanner().to_reader()
            write_deltalake(f"{lake}/{name}", rows, mode="overwrite", name=name, description=table.label)


def main() -> None:
    """Read, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("extract", type=Path, help="the folder of an extract with --format parquet")
    parser.add_argument("lake", help="the folder or address that the Delta tables stand in")
    asked = parser.parse_args()
    to_delta(asked.extract, asked.lake)


if __name__ == "__main__":
    main()
