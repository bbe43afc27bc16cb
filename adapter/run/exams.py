"""The exams of a piece: a capture record or a bundle on a line, rows of a table, a file of any form."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.read import Reading
from adapter.read.csv_reader import read_csv
from adapter.read.inputs import Reader
from adapter.read.plan import Plan, load_plan, read_piece, read_table
from adapter.run.inputs import Cut
from adapter.run.pieces import Piece, PieceKind
from adapter.run.rows import Rows
from adapter.run.work import NotPossible


def plan_of(path: Path | None, catalogue: Catalogue) -> Plan | None:
    """The column plan in a file. Raises :class:`NotPossible` where it cannot be used."""
    if path is None:
        return None
    plan, problems = load_plan(path, catalogue)
    if plan is None:
        raise NotPossible("the plan cannot be used: " + "; ".join(map(str, problems)))
    return plan


def cut_for(catalogue: Catalogue, plan: Path | None) -> Cut:
    """How inputs are cut of which exams are read."""
    loaded = plan_of(plan, catalogue)
    return Cut(Rows(), catalogue.identifier_system("exam")) if loaded is None else Cut(Rows.of_plan(loaded))


def readings_of(piece: Piece, catalogue: Catalogue, plan: Plan | None = None) -> Iterator[Reading]:
    """Every exam of a piece, each with its problems."""
    if piece.kind is PieceKind.ROWS:
        text = piece.data.decode()
        if plan is not None:
            yield from read_piece(text, plan, catalogue, name=piece.file, first_row=piece.at)
        else:
            yield from read_csv(text, catalogue, piece.file, piece.at)
    elif piece.kind is PieceKind.FILE and plan is not None:
        yield from read_table(piece.path, plan, catalogue, name=piece.file)
    else:
        reader = Reader(catalogue)
        if piece.kind is PieceKind.LINE:
            yield from reader.line(piece.data, piece.file, piece.at)
        else:
            source = piece.path if piece.kind is PieceKind.FILE else io.BytesIO(piece.data)
            yield from reader.read(source, piece.file)
        yield from reader.rest()
