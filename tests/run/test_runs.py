"""Runs that nothing disturbs: what comes out is what converting one by one gives, for any number of processes."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue
from adapter.run import RunError, run
from adapter.run.convert import Convert, Layout
from adapter.run.rejects import PROBLEMS
from adapter.run.validate import Validate
from adapter.validate import Validator, read_resources


def left_beside(out: Path) -> list[str]:
    return sorted(p.name for p in out.parent.iterdir() if p.name.startswith((out.name, ".")) and p != out)


def refusals(out: Path) -> list[dict[str, object]]:
    path = out.with_name(f"{out.name}.rejected") / PROBLEMS
    return [json.loads(line) for line in path.read_bytes().splitlines()]


@pytest.mark.parametrize("jobs", [0, 3])
def test_many_processes_give_what_one_by_one_gives(
    captures: Path, converted: list[bytes], tmp_path: Path, jobs: int
) -> None:
    out = tmp_path / "bundles.ndjson"
    summary = run(Convert(), [captures], out, jobs=jobs, most=10)
    assert out.read_bytes() == b"".join(converted)
    tally = summary.tally
    assert (tally.read, tally.done, tally.refused) == (90, 88, 2)
    assert left_beside(out) == ["bundles.ndjson.rejected", "bundles.ndjson.summary.json"]
    counts = json.loads((tmp_path / "bundles.ndjson.summary.json").read_text())
    assert counts["read"] == counts["done"] + counts["refused"] == 90
    assert counts["findings"] == 88 * 8


def test_what_is_refused_is_set_aside_as_it_was_and_can_be_mended(
    captures: Path, lines: list[bytes], tmp_path: Path
) -> None:
    out = tmp_path / "bundles.ndjson"
    summary = run(Convert(), [captures], out, jobs=0, most=10)
    assert summary.rejected is not None
    kept = (summary.rejected / "lines.ndjson").read_bytes()
    assert kept == lines[17] + lines[60]
    first, second = refusals(out)
    assert (first["line"], second["line"]) == (18, 61)
    assert (first["exam"], second["exam"]) == ("invented-0000017", None)
    assert first["kept"] == "lines.ndjson"
    assert [problem["rule"] for problem in second["problems"]] == ["not-json"]  # type: ignore[attr-defined]
    mended = tmp_path / "mended.ndjson"
    mended.write_bytes(kept.replace(b'"sex": "not ', b'"sex": "').replace(lines[60], b""))
    again = run(Convert(), [mended], tmp_path / "mended-bundles.ndjson")
    assert (again.tally.done, again.tally.refused, again.rejected) == (1, 0, None)


def test_rejections_of_an_earlier_run_do_not_stay(captures: Path, lines: list[bytes], tmp_path: Path) -> None:
    out = tmp_path / "bundles.ndjson"
    assert run(Convert(), [captures], out, jobs=0, most=50).rejected is not None
    captures.write_bytes(lines[0])
    assert run(Convert(), [captures], out).rejected is None
    assert left_beside(out) == ["bundles.ndjson.summary.json"]


def test_packed_input_and_output_are_the_same_in_gzip(captures: Path, converted: list[bytes], tmp_path: Path) -> None:
    packed = tmp_path / "captures.ndjson.gz"
    packed.write_bytes(gzip.compress(captures.read_bytes()))
    ones = [tmp_path / f"bundles-{jobs}.ndjson.gz" for jobs in (0, 2)]
    for jobs, out in zip((0, 2), ones, strict=True):
        run(Convert(packed=True), [packed], out, jobs=jobs, most=20)
    assert gzip.decompress(ones[0].read_bytes()) == b"".join(converted)
    assert ones[0].read_bytes() == ones[1].read_bytes()


def test_parts_together_are_the_whole(captures: Path, converted: list[bytes], tmp_path: Path) -> None:
    out = tmp_path / "parts"
    run(Convert(layout=Layout.PARTS), [captures], out, jobs=0, most=40)
    parts = sorted(out.iterdir())
    assert [part.name for part in parts] == [f"part-{n:05}.ndjson" for n in range(3)]
    assert b"".join(part.read_bytes() for part in parts) == b"".join(converted)
    with pytest.raises(RunError, match="not empty"):
        run(Convert(layout=Layout.PARTS), [captures], out)


def test_a_file_for_each_exam_the_first_of_an_id_stays(lines: list[bytes], tmp_path: Path) -> None:
    twice = tmp_path / "twice.ndjson"
    again = lines[3].replace(b"Baby 3", b"Another Baby")
    twice.write_bytes(b"".join([*lines[:10], lines[9], *lines[10:15], lines[3], again]))
    results = []
    for jobs in (0, 2):
        out = tmp_path / f"bundles-{jobs}"
        tally = run(Convert(layout=Layout.EACH), [twice], out, jobs=jobs, most=10).tally
        assert (tally.read, tally.done, tally.refused, tally.findings) == (18, 15, 3, 15 * 8)
        results.append({path.name: path.read_bytes() for path in out.iterdir()})
    assert results[0] == results[1]
    assert sorted(results[0]) == [f"invented-{n:07}.json" for n in range(15)]
    exams = sorted(str(entry["exam"]) for entry in refusals(tmp_path / "bundles-0"))
    assert exams == ["invented-0000003", "invented-0000003", "invented-0000009"]
    assert b"Another" not in results[0]["invented-0000003.json"]


def test_a_file_for_each_exam_goes_into_a_folder_that_is_there(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "bundles"
    out.mkdir()
    (out / "note.txt").write_text("stays")
    run(Convert(layout=Layout.EACH), [captures], out, jobs=0, most=50)
    assert len(list(out.iterdir())) == 89
    assert (out / "note.txt").read_text() == "stays"


def test_validating_finds_what_one_by_one_finds(
    captures: Path, converted: list[bytes], tmp_path: Path, catalogue: Catalogue
) -> None:
    bundles = tmp_path / "bundles.ndjson"
    content = b"".join(converted[:30]).replace(b'"status":"final"', b'"status":"finished"', 3) + b"{}\n\n[1]\n"
    bundles.write_bytes(content)
    out = tmp_path / "problems.ndjson"
    summary = run(Validate(), [bundles], out, jobs=0, most=5)
    found = [
        (e.get("line"), p["rule"]) for e in map(json.loads, out.read_bytes().splitlines()) for p in e["problems"]
    ]
    wanted = [(one.line, p.rule) for one in read_resources(bundles) for p in Validator().check(one)]
    assert found == wanted
    assert summary.tally.read == 33
    assert summary.tally.refused == 3


def test_nothing_to_read_is_no_fault_and_gives_nothing(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    summary = run(Convert(), [tmp_path / "empty"], tmp_path / "bundles.ndjson")
    assert summary.tally.read == 0
    assert (tmp_path / "bundles.ndjson").read_bytes() == b""


def test_a_folder_with_junk_in_it(lines: list[bytes], converted: list[bytes], tmp_path: Path) -> None:
    folder = tmp_path / "drop"
    (folder / "folder").mkdir(parents=True)
    for n, line in enumerate(lines[:12]):
        (folder / f"{n:02}.json").write_bytes(line)
    (folder / ".hidden").write_bytes(b"not looked at")
    (folder / "bytes.json").write_bytes(bytes(range(256)))
    (folder / "empty.ndjson").write_bytes(b"")
    (folder / "packed.ndjson.gz").write_bytes(gzip.compress(b"".join(lines[12:16]))[:-20])
    (folder / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00")
    (folder / "two.ndjson").write_bytes(b"".join(lines[14:16]))
    (folder / "gone.json").symlink_to(folder / "nowhere")
    out = tmp_path / "bundles.ndjson"
    tally = run(Convert(), [folder], out, jobs=0, most=3).tally
    assert out.read_bytes().startswith(b"".join(converted[:12]))
    assert out.read_bytes().endswith(b"".join(converted[14:16]))
    assert tally.read == tally.done + tally.refused
    assert {str(e["file"]).rpartition("/")[2] for e in refusals(out)} == {
        "bytes.json",
        "empty.ndjson",
        "packed.ndjson.gz",
        "picture.png",
    }


@pytest.mark.parametrize(
    ("work", "out", "why"),
    [
        (Convert(layout=Layout.PARTS), "captures.ndjson", "is a file"),
        (Convert(layout=Layout.ONE), ".", "is a folder"),
        (Convert(), "no/such/bundles.ndjson", "no folder"),
    ],
)
def test_an_output_that_cannot_be_is_refused_before_anything(
    captures: Path, tmp_path: Path, work: Convert, out: str, why: str
) -> None:
    before = sorted(tmp_path.iterdir())
    with pytest.raises(RunError, match=why):
        run(work, [captures], tmp_path / out)
    assert sorted(tmp_path.iterdir()) == before


def test_an_input_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="there is no file"):
        run(Convert(), [tmp_path / "absent.ndjson"], tmp_path / "bundles.ndjson")
