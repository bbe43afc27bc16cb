"""The proof that ships with tables: the wide table made once more by SQL from the long ones, cell by cell.

``proof/flatten.sql`` holds the rules, the lists beside it how the catalogue lays the wide table out, and
``proof/run.sql`` runs it with DuckDB's command line over the extract as it lies there. Where the package ``duckdb``
is installed (extra ``proof``), an extract runs it at its end, and a difference refuses the extract.
"""

from __future__ import annotations

import csv
import tempfile
from collections import Counter
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue, Item, ItemType, Meaning, Sides
from adapter.problems import AdapterError, ExitCode
from adapter.write.tables.sqlite import DATABASE, as_csv_files
from adapter.write.tables.terms import NOT_JUDGED

NEEDED = ("exams", "findings", "components")
"""The tables that it looks at."""
_COLUMNS = ("name", "item", "sides", "place", "slot", "kind", "site", "part", "implied")
_VALUES = {
    ItemType.QUANTITY: "number",
    ItemType.SCORE: "number",
    ItemType.TIME: "hours",
    ItemType.TEXT: "words",
}
_SHOWN = 5
_MEMORY = "300MB"
_EXAMS = 2000
"""So many are looked at together, which takes less than that."""
_CSV = "header = true, all_varchar = true, delim = ',', quote = '\"', escape = '\"', parallel = false"
_MEANINGS = (Meaning.EXPECTED.value, Meaning.VARIANT.value, NOT_JUDGED, Meaning.ABNORMAL.value)
"""From the best to the worst."""


class NotProved(AdapterError, ValueError):
    """The two flattenings differ: a fault of the program, so that nothing may be made of the tables."""

    exit_code = ExitCode.INTERNAL


def write_proof(folder: Path, catalogue: Catalogue) -> None:
    """``proof/`` of the tables in a folder."""
    proof = folder / "proof"
    proof.mkdir()
    items = catalogue.items.values()
    (proof / "flatten.sql").write_text(_sql(), encoding="utf-8")
    (proof / "run.sql").write_text(_run(folder), encoding="utf-8")
    _list(proof / "columns.csv", _COLUMNS, (row for item in items for row in _layout(item)))
    answers = ((i.id, a.id, n) for i in items for n, a in enumerate(i.answers))
    _list(proof / "answers.csv", ("item", "answer", "position"), answers)
    _list(
        proof / "places.csv",
        ("item", "site", "position"),
        ((i.id, s, n) for i in items for n, s in enumerate(i.sites) if s != _implied(i)),
    )
    _list(proof / "meanings.csv", ("meaning", "position"), ((meaning, n) for n, meaning in enumerate(_MEANINGS)))


def proved(folder: Path) -> int | None:
    """How many cells of the wide table were made once more; None where DuckDB is not installed.

    Raises :class:`NotProved` where any differs, with the columns, never with what they hold.
    """
    try:
        import duckdb
    except ImportError:
        return None
    with tempfile.TemporaryDirectory(prefix="newborn-adapter-") as scratch, duckdb.connect() as base:
        base.execute(f"set memory_limit = '{_MEMORY}'; set threads = 2; set temp_directory = '{scratch}'")
        base.execute("set enable_progress_bar = false")  # it would be drawn on standard output
        where = folder
        if (folder / DATABASE).is_file():  # DuckDB's own reader of SQLite would have to be fetched
            as_csv_files(folder, NEEDED, where := Path(scratch))
        sources = _sources(where, _quoted(where))
        (exams,) = base.execute(f"select count(*) from {sources['exams']}").fetchone() or (0,)  # noqa: S608
        parts, cells, differ = -(-exams // _EXAMS) or 1, 0, Counter[str]()
        # Every cell is of one exam: so many at a time take the same memory however many there are.
        for part in range(parts):
            for statement in _views(sources, _quoted(folder), f" where hash(exam_id) % {parts} = {part}"):
                base.execute(statement)
            base.execute(_sql())
            differ.update(dict(base.execute("select name, count(*) from difference group by all").fetchall()))
            cells += (base.execute("select count(*) from expected where value is not null").fetchone() or (0,))[0]
    if found := sorted(differ.items()):
        told = ", ".join(f"{name} ({count})" for name, count in found[:_SHOWN])
        raise NotProved(f"the wide table differs from what the long ones give, in {len(found)} columns: {told}")
    return int(cells)


def _layout(item: Item) -> Iterator[tuple[str, ...]]:
    """The columns of an item by the rules of examples/guides/research.md."""
    for place in ("left", "right") if item.sides is Sides.EACH else ("",):
        base = f"{item.id}_{place}" if place else item.id

        def column(
            name: str, kind: str, slot: str = "", site: str = "", part: str = "", place: str = place
        ) -> tuple[str, ...]:
            return name, item.id, item.sides.value, place, slot, kind, site, part, _implied(item)

        if item.type in (ItemType.CHOICE, ItemType.CHOICES):
            for slot in ("", "left", "right") if item.sides in (Sides.OPTIONAL, Sides.EITHER) else ("",):
                own = f"{base}_{slot}" if slot else base
                yield column(own, "answer", slot)
                if item.sites:
                    yield column(f"{own}_site", "sites", slot)
        sites = () if item.type in (ItemType.CHOICE, ItemType.CHOICES) else item.sites
        for site in ("", *sites):
            own = f"{base}_{site}" if site else base
            if item.type in _VALUES:
                yield column(f"{own}_hours" if item.type is ItemType.TIME else own, _VALUES[item.type], site=site)
            if item.type is ItemType.QUANTITY:
                yield column(f"{own}_comparator", "comparator", site=site)
            for part in (*(one.id for one in item.components), *(one.id for one in item.signs)):
                yield column(f"{own}_{part}", "part", site=site, part=part)
        if item.type is ItemType.TIME and item.answers:
            yield column(base, "answer", "")
        yield column(f"{base}_status", "status")
        yield column(f"{base}_meaning", "meaning")


def _implied(item: Item) -> str:
    """The place on the body that answers have without being told it."""
    return item.body_site or "" if item.type in (ItemType.CHOICE, ItemType.CHOICES) else ""


def _sql() -> str:
    return files("adapter.write.tables").joinpath("flatten.sql").read_text(encoding="utf-8")


def _quoted(folder: Path) -> str:
    return str(folder).replace("'", "''")


def _sources(folder: Path, root: str) -> dict[str, str]:
    """How DuckDB reads each table that lies in a folder; ``root`` is what stands for the folder."""
    found = {}
    for name in NEEDED:
        if (folder / f"{name}.csv").is_file():
            found[name] = f"read_csv('{root}/{name}.csv', {_CSV})"
        elif (folder / DATABASE).is_file():
            found[name] = f"sqlite_scan('{root}/{DATABASE}', '{name}')"
        else:
            parts = f"{name}.parquet" if (folder / f"{name}.parquet").is_file() else f"{name}/*.parquet"
            found[name] = f"read_parquet('{root}/{parts}')"
    return found


def _views(sources: dict[str, str], root: str, where: str = "") -> Iterator[str]:
    """The tables and lists as DuckDB reads them; only the columns that the exams have can be looked at. ``where``: of
    the tables these rows alone."""
    for name, source in sources.items():
        yield f"create or replace temp view {name} as select columns(*)::varchar from {source}{where}"  # noqa: S608
    for name in ("columns", "answers", "places", "meanings"):
        lists = f"read_csv('{root}/proof/{name}.csv', {_CSV})"
        cells = "* replace (cast(position as integer) as position)"
        if name == "columns":
            cells = ", ".join(f"coalesce({one}, '') as {one}" for one in _COLUMNS)
            lists += " where name in (select column_name from (describe exams))"
        yield f"create or replace temp table {name} as select {cells} from {lists}"  # noqa: S608 (our own names)


def _run(folder: Path) -> str:
    said = "-- In the folder of the extract: duckdb < proof/run.sql (no row: every cell agrees)\n"
    views = _views(_sources(folder, "."), ".")
    return said + ";\n".join([*views, ".read proof/flatten.sql\nselect * from difference"]) + ";\n"


def _list(path: Path, heading: tuple[str, ...], rows: Iterator[tuple[Any, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(heading)
        writer.writerows(rows)
