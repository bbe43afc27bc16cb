"""The exams of a piece, through the one way in (:mod:`adapter.read`). A reader is imported when its form is met."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from adapter.catalogue import Catalogue
from adapter.fhir.json import loads
from adapter.read import Reading, read
from adapter.read.graph import Origin, alone
from adapter.read.inputs import Reader
from adapter.run.inputs import Cut
from adapter.run.pieces import Piece, PieceKind
from adapter.run.rows import Rows
from adapter.run.work import NotPossible

if TYPE_CHECKING:
    from adapter.read.plan import Plan


def plan_of(path: Path | None, catalogue: Catalogue) -> Plan | None:
    """The column plan in a file. Raises :class:`NotPossible` where it cannot be used."""
    if path is None:
        return None
    from adapter.read.plan import load_plan

    plan, problems = load_plan(path, catalogue)
    if problems:
        raise NotPossible("the plan cannot be used: " + "; ".join(map(str, problems)))
    return plan


def cut_for(catalogue: Catalogue, plan: Path | None) -> Cut:
    """How inputs are cut of which exams are read."""
    loaded = plan_of(plan, catalogue)
    return Cut(Rows(), catalogue.identifier_system("exam")) if loaded is None else Cut(Rows.of_plan(loaded))


def readings_of(piece: Piece, catalogue: Catalogue, plan: Plan | None = None) -> Iterator[Reading]:
    """Every exam of a piece, each with its problems."""
    if piece.kind is PieceKind.ROWS and plan is not None:
        from adapter.read.plan import read_piece

        yield from read_piece(piece.data.decode(), plan, catalogue, name=piece.file, first_row=piece.at)
    elif piece.kind is PieceKind.ROWS:
        from adapter.read.csv_reader import read_csv

        yield from read_csv(piece.data.decode(), catalogue, piece.file, piece.at)
    elif piece.kind is PieceKind.FILE and plan is not None:
        from adapter.read.plan import read_table

        yield from read_table(piece.path, plan, catalogue, name=piece.file)
    elif piece.kind is PieceKind.FILE:
        yield from read(piece.path, catalogue, name=piece.file)
    elif piece.kind is PieceKind.GATHERED:
        from adapter.read.bundle import read_entries

        resources = [entry["resource"] for entry in loads(piece.data)["entry"]]
        entries = [
            alone(one, Origin(file, line=line)) for one, (file, line) in zip(resources, piece.places, strict=True)
        ]
        yield from read_entries(entries, catalogue, piece.file)
    else:
        reader = Reader(catalogue)
        yield from reader.line(piece.data, piece.file, piece.at)
        yield from reader.rest()
