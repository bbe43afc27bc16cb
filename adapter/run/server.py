"""What a FHIR server holds as an input: its bundles, one a line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

from adapter.catalogue import Catalogue
from adapter.exam import Identifier
from adapter.fhir.json import dumps
from adapter.run.inputs import Stream
from adapter.run.work import NotPossible
from adapter.send import fetch_all_exams, fetch_exam, fetch_exams_of
from adapter.send.target import Target


def held_by(
    target: Target, catalogue: Catalogue, exams: Sequence[str] = (), newborns: Sequence[Identifier] = ()
) -> Stream:
    """The exams with these ids and those of these newborns; every exam of ours where none are named.

    Reading it raises :class:`NotPossible` where the server holds no such exam, and what its client raises.
    """
    return Stream(target.url, _bundles(target, catalogue, exams, newborns))


def _bundles(
    target: Target, catalogue: Catalogue, exams: Sequence[str], newborns: Sequence[Identifier]
) -> Iterator[bytes]:
    with target.client() as client:
        named = (fetch_exam(client, catalogue, root) for root in exams)
        theirs = (bundle for newborn in newborns for bundle in fetch_exams_of(client, catalogue, newborn))
        every = () if exams or newborns else fetch_all_exams(client, catalogue)
        for bundle in chain(named, theirs, every):
            if bundle is None:
                raise NotPossible("the server holds no such exam")
            yield dumps(bundle) + b"\n"
