"""Tables in Apache Arrow and Parquet (extra ``parquet``): exact decimals, instants in UTC, labels beside them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from adapter.errors import NotInstalled
from adapter.write.tables.column import PLACES, Column, Row, Type

DIGITS = 21
"""Digits of a decimal column: twelve before the point, as many as a weight can have in the smallest unit."""


class NoParquet(NotInstalled):
    """The library that writes Parquet is not installed."""


def arrow() -> Any:
    """pyarrow, or :class:`NoParquet` that says how to install it."""
    try:
        import pyarrow
    except ImportError:
        raise NoParquet("Parquet needs an extra: in the checkout, pip install '.[parquet]'; or write csv") from None
    return pyarrow


def schema(columns: Sequence[Column]) -> Any:
    """The Arrow schema: text, 64-bit integer, decimal128(21, 9), boolean, date, timestamps in microseconds.

    Each field's metadata holds label, unit and codes.
    """
    pa = arrow()
    types = {
        Type.TEXT: pa.string(),
        Type.INTEGER: pa.int64(),
        Type.DECIMAL: pa.decimal128(DIGITS, PLACES),
        Type.BOOLEAN: pa.bool_(),
        Type.INSTANT: pa.timestamp("us", tz="UTC"),
        Type.DATE: pa.date32(),
        Type.LOCAL: pa.timestamp("us"),
    }
    return pa.schema([pa.field(c.name, types[c.type], metadata=_about(c)) for c in columns])


def _about(column: Column) -> dict[str, str]:
    found = {"label": column.label, "unit": column.unit, "codes": "; ".join(column.codes)}
    return {key: text for key, text in found.items() if text}


def batch(rows: Sequence[Row], arrow_schema: Any) -> Any:
    """The rows as one RecordBatch."""
    pa = arrow()
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(arrow_schema)
    arrays = [pa.array(values, type=field.type) for values, field in zip(columns, arrow_schema, strict=True)]
    return pa.record_batch(arrays, schema=arrow_schema)


class ParquetFile:
    """One table as one Parquet file; each call of :meth:`write` is a row group."""

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        arrow()
        from pyarrow.parquet import ParquetWriter

        self._schema = schema(columns)
        self._writer = ParquetWriter(path, self._schema, compression="zstd")

    def write(self, rows: Sequence[Row]) -> None:
        """Append rows as one row group."""
        if rows:
            self._writer.write_batch(batch(rows, self._schema))

    def close(self) -> None:
        """Finish the file."""
        self._writer.close()
