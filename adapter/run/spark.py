"""The same on Apache Spark, for more than one machine: captures to resources, bundles, tables and problems.

Captures are a DataFrame with a column ``record``, a capture record or a bundle of ours as JSON, and any other
columns; ``path`` and ``line`` are named in problems where they are there. Each function maps batches of Arrow records
(``DataFrame.mapInArrow``), so it runs wherever the rows are; the catalogue is loaded once in each Python worker, from
``site``, a folder that every machine has. Nothing of a record is collected. Needs the extra ``spark``
on every machine.

Rows are those that :func:`adapter.run.run` gives for the same exams; Spark keeps no order between them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.versions import Version, Versions
from adapter.errors import NotInstalled
from adapter.exam import Exam, Status
from adapter.fhir import by_id, to_resources, with_id
from adapter.fhir.json import dumps
from adapter.problems import Problem
from adapter.read import Reading
from adapter.run.exams import readings_of
from adapter.run.later_versions import Placing, lineage_of
from adapter.run.pieces import Piece, PieceKind
from adapter.validate import Validator
from adapter.validate.reading import read_line
from adapter.write import write
from adapter.write.tables import TABLES, Column, Row, TabledExam, Type
from adapter.write.tables.arrow import DIGITS, batch, schema
from adapter.write.tables.column import PLACES

_CELLS = 200_000
"""Cells of a batch that goes back to Spark, each a few bytes."""

_RESOURCE, _BUNDLE = 100, 10_000
"""The text of a resource and of a bundle weigh as much as so many cells."""

RECORD = "record"
Made = Callable[[Reading, Catalogue], Iterator[Row]]


class NoSpark(NotInstalled):
    """pyspark is not installed."""


def _sql() -> Any:
    try:
        from pyspark import sql
        from pyspark.sql import functions, types, window  # noqa: F401  # they become attributes of sql
    except ImportError:
        raise NoSpark("Spark needs Java 17 and an extra: in the project's checkout, pip install '.[spark]'") from None
    return sql


def captures(spark: Any, *paths: str) -> Any:
    """NDJSON of capture records or bundles, plain or gzipped: ``record``, ``path`` and ``position`` (their order)."""
    functions = _sql().functions
    lines = spark.read.text(list(paths)).withColumnRenamed("value", RECORD)
    named = lines.withColumn("path", functions.input_file_name())
    ordered = named.withColumn("position", functions.monotonically_increasing_id())
    return ordered.where(functions.length(functions.trim(RECORD)) > 0)


def observations(frame: Any, *, site: str | None = None, types: Sequence[str] = ("Observation",)) -> Any:
    """The resources of every accepted exam: ``exam_id``, ``type``, ``id``, ``resource`` (FHIR JSON).

    ``types``: of which types; none for all that an exam becomes.
    """
    wanted = frozenset(types)

    def made(reading: Reading, catalogue: Catalogue) -> Iterator[Row]:
        for exam in _accepted(reading):
            for resource in to_resources(exam, catalogue, by_id):
                name = resource.name
                if not wanted or name.resource_type in wanted:
                    yield exam.details.id, name.resource_type, name.uuid, dumps(with_id(resource)).decode()

    return _mapped(frame, _texts("exam_id", "type", "id", "resource"), made, site, _RESOURCE)


def bundles(frame: Any, *, kind: str = "transaction", site: str | None = None) -> Any:
    """A bundle of every accepted exam: ``exam_id``, ``bundle`` (FHIR JSON)."""

    def made(reading: Reading, catalogue: Catalogue) -> Iterator[Row]:
        for exam in _accepted(reading):
            yield exam.details.id, write(exam, catalogue, kind, "json").decode().rstrip("\n")

    return _mapped(frame, _texts("exam_id", "bundle"), made, site, _BUNDLE)


def table(frame: Any, name: str, *, site: str | None = None, order: Sequence[str] = ("path", "position")) -> Any:
    """A table of :data:`adapter.write.tables.TABLES`, its columns typed as in Parquet.

    Give it what :func:`current` gives, where amendments are to stand for what they amend. Of a table with a unique
    column the first row of a value stands, by ``order``.
    """
    columns = TABLES[name].columns(load_catalogue(_site(site)))

    def made(reading: Reading, catalogue: Catalogue) -> Iterator[Row]:
        for exam in _accepted(reading):
            yield from TABLES[name].rows(TabledExam(exam, catalogue), catalogue)

    unique = TABLES[name].unique
    if not unique:
        return _mapped(frame, columns, made, site)
    kept = [column for column in order if column in frame.columns]
    rows = _mapped(frame, columns, made, site, kept=kept)
    return _first(rows, [unique], kept).select(*[column.name for column in columns])


def problems(frame: Any, *, site: str | None = None) -> Any:
    """What is wrong with the captures, a row each; ``accepted`` says whether the exam goes on nevertheless."""

    def made(reading: Reading, catalogue: Catalogue) -> Iterator[Row]:
        exam = reading.exam.details.id if reading.exam is not None else None
        for problem in reading.problems:
            yield (exam, reading.accepted, *_problem(problem))

    columns = (Column("exam_id", Type.TEXT, ""), Column("accepted", Type.BOOLEAN, ""), *_PROBLEM)
    return _mapped(frame, columns, made, site)


def validated(frame: Any, column: str = "bundle") -> Any:
    """What is wrong with resources in a column of FHIR JSON, every layer: a row each, with ``path`` and ``line``."""

    def made(piece: Piece, _: Catalogue) -> Iterator[Row]:
        for problem in Validator().check(read_line(piece.data, piece.file, piece.at)):
            yield _problem(problem)

    return _pieces_mapped(frame, column, _PROBLEM, made, None)


def current(frame: Any, *, site: str | None = None, order: Sequence[str] = ("path", "position")) -> Any:
    """The captures without those for which an amendment or retraction stands, each exam once, the first by ``order``.

    What cannot be read as an exam stays. A retraction leaves nothing; which amendment counts is said by
    :mod:`adapter.derive.versions`, and where nothing tells two of them apart no version stands. What the amended
    exams say of their versions is collected for that, a few words each.
    """
    sql = _sql()
    f, kept = sql.functions, [RECORD, *order]

    def said(reading: Reading, _: Catalogue) -> Iterator[Row]:
        for exam in _accepted(reading):
            one = Version.of(exam)
            if one.amends is not None:
                recorded = one.recorded.isoformat() if one.recorded else None
                yield one.id, one.status.value, one.amends, one.first, recorded

    versions = Versions()
    columns = _texts("id", "status", "amends", "first", "recorded")
    for row in sorted(_mapped(frame.select(RECORD), columns, said, site).collect()):
        recorded = datetime.fromisoformat(row["recorded"]) if row["recorded"] else None
        versions.see(Version(row["id"], Status(row["status"]), row["amends"], row["first"], recorded))
    lineage = lineage_of(versions)

    def made(reading: Reading, _: Catalogue) -> Iterator[Row]:
        placed = Placing(lineage)
        for exam in _accepted(reading):
            yield exam.details.id, placed.counts(exam)

    exams = _mapped(
        frame.select(*kept), (*_texts("exam_id"), Column("counts", Type.BOOLEAN, "")), made, site, kept=order
    )
    counts = _first(exams.where("counts"), ["exam_id"], order)
    ours = exams.select(*order).withColumn("is_exam", f.lit(True)).distinct()
    chosen = counts.select(*order, "counts").distinct()
    joined = frame.join(ours, list(order), "left").join(chosen, list(order), "left")
    return joined.where(f.isnull("is_exam") | f.col("counts")).drop("is_exam", "counts")


def _first(rows: Any, keys: Sequence[str], order: Sequence[str]) -> Any:
    sql = _sql()
    if not order:
        return rows.dropDuplicates(list(keys))
    window = sql.window.Window.partitionBy(*keys).orderBy(*order)
    numbered = rows.withColumn("nth", sql.functions.row_number().over(window))
    return numbered.where("nth = 1").drop("nth")


def _accepted(reading: Reading) -> Iterator[Exam]:
    if reading.exam is not None and reading.accepted:
        yield reading.exam


def _texts(*names: str) -> tuple[Column, ...]:
    return tuple(Column(name, Type.TEXT, "") for name in names)


_PROBLEM = (
    *_texts("severity", "layer", "rule", "what", "remedy", "where", "path"),
    Column("line", Type.INTEGER, ""),
    *_texts("item"),
)


def _problem(problem: Problem) -> Row:
    found = (problem.severity.value, problem.layer.value, problem.rule, problem.what, problem.remedy, problem.where)
    return (*found, problem.file, problem.line, problem.item)


def _site(site: str | None) -> Path | None:
    return Path(site) if site is not None else None


def _mapped(
    frame: Any,
    columns: Sequence[Column],
    made: Made,
    site: str | None,
    weight: int = 1,
    kept: Sequence[str] = (),
) -> Any:
    """Every reading of every record through ``made``; columns of the input that are kept stand behind its own."""

    def of_piece(piece: Piece, catalogue: Catalogue) -> Iterator[Row]:
        for reading in readings_of(piece, catalogue):
            yield from made(reading, catalogue)

    return _pieces_mapped(frame, RECORD, columns, of_piece, site, weight, kept)


def _pieces_mapped(
    frame: Any,
    column: str,
    columns: Sequence[Column],
    made: Callable[[Piece, Catalogue], Iterator[Row]],
    site: str | None,
    weight: int = 1,
    kept: Sequence[str] = (),
) -> Any:
    types = _sql().types
    ours = [types.StructField(c.name, _spark_type(c.type)) for c in columns]
    fields = [field for field in frame.schema.fields if field.name in kept]
    named = [name for name in ("path", "line") if name in frame.columns]
    wanted = list(dict.fromkeys([column, *named, *(field.name for field in fields)]))

    def over(batches: Iterable[Any]) -> Iterator[Any]:
        import pyarrow as pa

        catalogue = load_catalogue(_site(site))
        most = max(1, _CELLS // (len(columns) * weight))
        for given in batches:
            arrow = schema(columns)
            for field in fields:
                arrow = arrow.append(given.schema.field(field.name))
            waiting: list[Row] = []
            for entry in given.to_pylist():
                rest = tuple(entry[field.name] for field in fields)
                waiting += [(*row, *rest) for row in made(_piece(entry, column), catalogue)]
                while len(waiting) >= most:
                    yield batch(waiting[:most], arrow)
                    waiting = waiting[most:]
            yield batch(waiting, arrow) if waiting else pa.RecordBatch.from_pylist([], schema=arrow)

    return frame.select(*wanted).mapInArrow(over, types.StructType([*ours, *fields]))


def _piece(entry: dict[str, Any], column: str) -> Piece:
    text = entry[column] or ""
    return Piece(PieceKind.LINE, entry.get("path") or "record", int(entry.get("line") or 0), text.encode())


def _spark_type(type_: Type) -> Any:
    types = _sql().types
    return {
        Type.TEXT: types.StringType(),
        Type.INTEGER: types.LongType(),
        Type.DECIMAL: types.DecimalType(DIGITS, PLACES),
        Type.BOOLEAN: types.BooleanType(),
        Type.INSTANT: types.TimestampType(),
    }[type_]
