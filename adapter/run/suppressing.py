"""Which quasi-identifiers a policy takes out of whom: only all exams together can tell, so they are read before."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from adapter.catalogue import Catalogue
from adapter.files.dedupe import Dedupe
from adapter.read.plan import Plan
from adapter.run.exams import readings_of
from adapter.run.inputs import Cut, Given, pieces_of
from adapter.run.later_versions import Lineage, Placing
from adapter.write.deidentify import Deidentifier, OtherFamily


def taken_out(
    inputs: Sequence[Given],
    cut: Cut,
    catalogue: Catalogue,
    plan: Plan | None,
    lineage: Lineage,
    deidentifier: Deidentifier,
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """By pseudonym, sorted. ``deidentifier`` has taken nothing out yet, and is used up by this."""
    placing = Placing(lineage)
    with Dedupe() as exams:
        for piece in pieces_of(inputs, cut):
            for reading in readings_of(piece, catalogue, plan) if piece.has_exams else ():
                exam = reading.exam
                if exam is None or not reading.accepted or not placing.counts(exam):
                    continue
                if exams.new(exam.details.id):
                    with suppress(OtherFamily):
                        deidentifier.admit(deidentifier.made(exam)[1])
    return tuple(sorted(deidentifier.taken_out().items()))
