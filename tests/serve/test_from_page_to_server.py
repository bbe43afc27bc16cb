"""From a posted record to a FHIR server: the page's server, a real watch, the sandbox."""

from __future__ import annotations

from pathlib import Path

import httpx

from adapter.catalogue import Catalogue
from adapter.fhir.json import dumps
from adapter.forms import to_response
from adapter.forms.serve import Filing, running
from adapter.read import read_captures
from adapter.read.bundle import from_bundle
from adapter.sandbox import Store
from adapter.sandbox import running as sandbox
from adapter.send import FhirClient, fetch_exam
from tests.watch.watching import assert_exactly_once, eventually, names, watching

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
FIRST, AMENDED = CAPTURES / "d10-1-girl-scalp-swelling-left.json", CAPTURES / "d10-2-girl-scalp-swelling-amended.json"
OTHER = CAPTURES / "d08a-first-twin-girl.json"


def test_each_posted_exam_is_on_the_server_once(tmp_path: Path, catalogue: Catalogue) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    exams = {}
    for path in (FIRST, AMENDED, OTHER):
        [reading] = read_captures(path, catalogue)
        assert reading.exam is not None
        exams[path] = reading.exam

    with (
        Store() as store,
        sandbox(store) as fhir,
        Filing(drop, catalogue) as filing,
        running(b"<p>", filing) as page,
        watching(drop, fhir, tmp_path / "outbox.db"),
    ):

        def post(body: bytes) -> int:
            kind = {"Content-Type": "application/json"}
            return httpx.post(f"{page}records", content=body, headers=kind, trust_env=False).status_code

        assert post(OTHER.read_bytes()) == 201
        assert post(FIRST.read_bytes()) == 201
        eventually(lambda: len(names(drop / "done")) == 2)
        assert_exactly_once(fhir, [exams[OTHER], exams[FIRST]], catalogue)
        # the nurse's second tap, after it was sent
        assert post(OTHER.read_bytes()) == 200
        # a mended record under the same id, then properly, as an amendment, from another program's form
        assert post(FIRST.read_bytes().replace(b"demo-d10", b"demo-d08a")) in (409, 422)
        assert post(dumps(to_response(exams[AMENDED], catalogue))) == 201
        eventually(lambda: len(names(drop / "done")) == 3)
        assert names(drop / "failed") == set()
        with FhirClient(fhir) as client:
            bundle = fetch_exam(client, catalogue, exams[AMENDED].details.root)
        assert bundle is not None
        [back] = from_bundle(bundle, catalogue)
        assert (back.details, back.newborn) == (exams[AMENDED].details, exams[AMENDED].newborn)
        assert sorted(map(repr, back.findings)) == sorted(map(repr, exams[AMENDED].findings))
