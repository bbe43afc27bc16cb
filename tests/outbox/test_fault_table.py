"""A small version of the fault table, and that its judge can tell right from wrong.

The whole is run by hand (``python tests/outbox/fault_table.py --runs 50``); its outcome is in tests/MEASUREMENTS.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fault_table import KINDS, Run, run_once
from on_server import observations
from servers import Proxy, faulty_proxy

from adapter.catalogue import Catalogue
from adapter.send import FhirClient


@pytest.fixture(scope="module")
def proxy() -> Iterator[Proxy]:
    with faulty_proxy() as made:
        yield made


@pytest.mark.parametrize("kind", KINDS)
def test_every_exam_arrives_once_or_is_a_dead_letter(
    kind: str, proxy: Proxy, sandbox_url: str, catalogue: Catalogue
) -> None:
    count = run_once(kind, 1, sandbox_url, proxy, catalogue)
    assert (count.lost, count.doubled, count.wrong) == (0, 0, 0), count.remarks
    assert count.dead == 0 or kind.endswith("for good")


def test_the_judge_sees_what_is_lost_doubled_and_wrong(
    proxy: Proxy, sandbox_url: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    run = Run("latency", 99, sandbox_url, proxy, tmp_path, catalogue)
    assert (count := run.go()).lost + count.doubled + count.wrong == 0
    with FhirClient(sandbox_url) as client:
        root = run.exams[0].details.root
        found = observations(client, run.exams[0])
        weight, rate, cry = (found[f"{root}/{name}"][0] for name in ("birth_weight", "respiratory_rate", "cry"))

        def put(resource: dict[str, object], **change: object) -> None:
            changed = {**resource, **change}
            request = {"method": "PUT", "url": f"Observation/{changed['id']}"}
            client.carry_out({"fullUrl": "", "resource": changed, "request": request})

        put(weight, id=f"{weight['id'][:-4]}-two")
        put(rate, identifier=[{**rate["identifier"][0], "value": "elsewhere"}])
        put(cry, status="final")
    judged = run._judge()
    assert (judged.lost, judged.doubled, judged.wrong) == (1, 1, 1)
