"""Scripts that load the tables into R, Stata and SPSS with the labels of the dictionary: ``labels.R``, ``labels.do``,
``labels.sps``.

Columns, types, labels and allowed values are those of ``datapackage.json``. R reads every form of an extract; Stata
and SPSS read CSV, so that their scripts stand beside CSV alone. Limits (from the tools' manuals, from memory): Stata
names of 32 characters, variable labels of 80; SPSS names of 64 bytes, labels of values of 120, command lines of 251.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.write.tables import TABLES, Column, Type
from adapter.write.tables.sqlite import DATABASE

Values = tuple[tuple[str, str], ...]
_STATA_NAME, _STATA_LABEL = 32, 80
_SPSS_LABEL, _SPSS_TEXT = 120, 2000
_SHORT = 64
FOR_SPSS = "_for_spss.csv"
"""How the name of a table's second file ends: the same rows, each on one line."""
_STEP = 1 << 20
_LINE_END = re.compile(r"\r\n|\r|\n")
_MOMENTS = (Type.INSTANT, Type.LOCAL)
_ABOUT = "the dictionary's labels; run it in the folder of the extract. An empty cell is never a normal finding."


def write_labels(folder: Path, catalogue: Catalogue, rows: Mapping[str, int]) -> None:
    """The scripts for the tables in a folder, of which each has so many ``rows``."""
    tables = {name: TABLES[name].columns(catalogue) for name in rows}
    scripts: dict[str, Callable[..., Iterator[str]]] = {"labels.R": partial(_r, folder)}
    if all((folder / f"{name}.csv").is_file() for name in tables):
        scripts |= {"labels.do": _stata, "labels.sps": partial(_spss, folder, rows)}
    for file, script in scripts.items():
        (folder / file).write_text("".join(f"{line}\n" for line in script(tables)), encoding="utf-8")


def _lists(tables: dict[str, tuple[Column, ...]]) -> dict[Values, str]:
    """Each list of allowed values once, with a name; of cells that hold one value."""
    found = dict.fromkeys(column.allowed for columns in tables.values() for column in columns if _coded(column))
    return {values: f"values{number}" for number, values in enumerate(found, 1)}


def _coded(column: Column) -> bool:
    return bool(column.allowed) and not column.several and column.type is Type.TEXT


# R


def _r(folder: Path, tables: dict[str, tuple[Column, ...]]) -> Iterator[str]:
    yield f"# R: each table as a data frame with {_ABOUT}"
    yield "# Attributes of a column: label, what it is; unit, in UCUM; labels, its values by their labels."
    lists = _lists(tables)
    for values, name in lists.items():
        yield f"{name} <- c("
        yield ",\n".join(f"  {_r_text(label)} = {_r_text(value)}" for value, label in values)
        yield ")"
    yield from _R_READING.splitlines()
    for name, columns in tables.items():
        yield f"{name} <- {_r_source(folder, name)}"
        for column in columns:
            more = f", unit = {_r_text(column.unit)}" if column.unit else ""
            more += f", labels = {lists[column.allowed]}" if _coded(column) else ""
            kind = "moment" if column.type in _MOMENTS else column.type.value
            cells = f'{name}[["{column.name}"]]'
            yield f'{cells} <- column({cells}, "{kind}", {_r_text(column.label)}{more})'


_R_READING = r"""
column <- function(x, type, label, unit = NULL, labels = NULL) {
  if (type == "moment" && is.character(x)) x <- as.POSIXct(x, format = "%Y-%m-%dT%H:%M:%OS", tz = "UTC")
  if (type == "integer") x <- as.integer(x)
  if (type == "decimal") x <- as.numeric(x)
  if (type == "boolean") x <- if (is.character(x)) x == "true" else as.logical(x)
  if (type == "date") x <- as.Date(x)
  structure(x, label = label, unit = unit, labels = labels)
}
from_csv <- function(file) {
  x <- read.csv(file, colClasses = "character", na.strings = "", encoding = "UTF-8", check.names = FALSE)
  x[] <- lapply(x, function(one) gsub("(^|[;,\t\r\n])'", "\\1", one))
  x
}
from_parquet <- function(path) as.data.frame(dplyr::collect(arrow::open_dataset(path)))
from_sqlite <- function(file, table) {
  base <- DBI::dbConnect(RSQLite::SQLite(), file)
  on.exit(DBI::dbDisconnect(base))
  DBI::dbReadTable(base, table, check.names = FALSE)
}
"""


def _r_source(folder: Path, name: str) -> str:
    if (folder / DATABASE).is_file():
        return f'from_sqlite("{DATABASE}", "{name}")'
    if (folder / f"{name}.csv").is_file():
        return f'from_csv("{name}.csv")'
    return f'from_parquet("{name}.parquet")' if (folder / f"{name}.parquet").is_file() else f'from_parquet("{name}")'


def _r_text(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


# Stata


def _stata(tables: dict[str, tuple[Column, ...]]) -> Iterator[str]:
    yield f"* Stata: each table as TABLE.dta with {_ABOUT}"
    yield "* A column whose name is over 32 characters has a shorter one, and its own in its notes."
    yield "version 14"
    yield "set more off"
    yield "capture set maxvar 5000"
    lists = _lists(tables)
    for name, columns in tables.items():
        yield f'import delimited using "{name}.csv", varnames(nonames) rowrange(2) stringcols(_all) ///'
        yield '    encoding("UTF-8") bindquotes(strict) maxquotedrows(unlimited) clear'
        for values in dict.fromkeys(column.allowed for column in columns if _coded(column)):
            yield from _stata_values(lists[values], values)
        for place, (column, short) in enumerate(zip(columns, stata_names(columns), strict=True), 1):
            yield from _stata_column(f"v{place}", short, column, lists)
        yield "compress"
        yield f'save "{name}.dta", replace'


def stata_names(columns: Sequence[Column]) -> list[str]:
    """The columns as Stata can name them: at most 32 characters, each once."""
    return [
        column.name if len(column.name) <= _STATA_NAME else f"{column.name[: _STATA_NAME - 5]}_{place:04}"
        for place, column in enumerate(columns, 1)
    ]


def _stata_values(name: str, values: Values) -> Iterator[str]:
    """Two lists: by the ids a column is coded, by the labels it is shown."""
    for number, (value, label) in enumerate(values, 1):
        more = ", modify" if number > 1 else ", replace"
        yield f"label define {name}_id {number} {_stata_text(value)}{more}"
        yield f"label define {name} {number} {_stata_text(label)}{more}"


def _stata_column(given: str, name: str, column: Column, lists: dict[Values, str]) -> Iterator[str]:
    if _coded(column):
        yield f"encode {given}, generate({name}) label({lists[column.allowed]}_id) noextend"
        yield f"label values {name} {lists[column.allowed]}"
        yield f"drop {given}"
    elif column.type in _MOMENTS:
        yield f'generate double {name} = clock(subinstr(subinstr({given}, "T", " ", 1), "Z", "", 1), "YMDhms")'
        yield f"format {name} %tc"
        yield f"drop {given}"
    elif column.type is Type.DATE:
        yield f'generate {name} = daily({given}, "YMD")'
        yield f"format {name} %td"
        yield f"drop {given}"
    elif column.type is Type.BOOLEAN:
        yield f'generate byte {name} = {given} == "true" if {given} != ""'
        yield f"drop {given}"
    else:
        yield f"rename {given} {name}"
        if column.type is not Type.TEXT:
            yield f"destring {name}, replace"
    yield f"label variable {name} {_stata_text(_with_unit(column)[:_STATA_LABEL])}"
    if name != column.name:
        yield f"notes {name}: {column.name}"


def _stata_text(text: str) -> str:
    """Between compound quotes, where a quote is a quote; a macro sign would be looked up."""
    safe = text.replace("`", "'").replace("$", "\\$").replace("\n", " ")
    return f'`"{safe}"\''


def _with_unit(column: Column) -> str:
    return f"{column.label} [{column.unit}]" if column.unit else column.label


# SPSS


def _spss(folder: Path, rows: Mapping[str, int], tables: dict[str, tuple[Column, ...]]) -> Iterator[str]:
    yield f"* SPSS: each table as TABLE.sav with {_ABOUT}."
    yield "* Moments stay text in ISO 8601, in UTC. SET UNICODE must be on before any file is open."
    yield "SET DECIMAL=DOT."
    for name, columns in tables.items():
        file = _a_line_a_row(folder / f"{name}.csv", rows[name])
        yield f"GET DATA /TYPE=TXT /FILE='{file}' /ENCODING='UTF8' /DELCASE=LINE /DELIMITERS=','"
        yield " /QUALIFIER='\"' /ARRANGEMENT=DELIMITED /FIRSTCASE=2 /VARIABLES="
        yield from (f"  {column.name} {_spss_format(column)}" for column in columns)
        yield "  ."
        yield f"DATASET NAME {name}."
        yield "VARIABLE LABELS"
        yield from (f"  {column.name} {_spss_text(_with_unit(column))}" for column in columns)
        yield "  ."
        for values, where in _by_values(columns).items():
            yield "VALUE LABELS"
            yield from (f"  {one}" for one in where)
            yield from (f"  {_spss_text(value)} {_spss_text(label)}" for value, label in values)
            yield "  ."
        yield f"SAVE OUTFILE='{name}.sav'."


def _a_line_a_row(path: Path, rows: int) -> str:
    """The name of a table's file that SPSS can read. It knows no line end within quotes: where a text has one,
    another file is written beside it, which has a space in its place."""
    with path.open("rb") as file:
        lines = sum(portion.count(b"\n") for portion in iter(partial(file.read, _STEP), b""))
    if lines <= rows + 1:
        return path.name
    other = path.with_name(f"{path.stem}{FOR_SPSS}")
    with path.open(encoding="utf-8", newline="") as given, other.open("w", encoding="utf-8", newline="") as made:
        csv.writer(made).writerows([_LINE_END.sub(" ", cell) for cell in row] for row in csv.reader(given))
    return other.name


def _by_values(columns: Sequence[Column]) -> dict[Values, list[str]]:
    found: dict[Values, list[str]] = {}
    for column in columns:
        if _coded(column):
            found.setdefault(column.allowed, []).append(column.name)
    return found


def _spss_format(column: Column) -> str:
    match column.type:
        case Type.INTEGER:
            return "F12.0"
        case Type.DECIMAL:
            return "F22.9"
        case Type.TEXT if not _coded(column):
            return f"A{_SPSS_TEXT}"
    return f"A{_SHORT}"


def _spss_text(text: str) -> str:
    """Between apostrophes, at most as many bytes as a label may have."""
    short = text.replace("\n", " ").encode()[:_SPSS_LABEL].decode("utf-8", "ignore")
    return f"'{short.replace(chr(39), chr(39) * 2)}'"
