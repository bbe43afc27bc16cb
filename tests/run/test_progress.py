"""What a long run says of itself; a short one says nothing, but to a program."""

from __future__ import annotations

import io

from adapter.run.progress import Progress
from adapter.run.work import Tally


def test_a_run_that_is_over_at_once_says_nothing_but_to_a_program() -> None:
    stream = io.StringIO()
    progress = Progress(100, stream)
    progress.report(Tally(), 0)
    progress.report(Tally(), 100, last=True)
    assert stream.getvalue() == ""
    heard: list[object] = []
    progress = Progress(100, heard.append)
    progress.report(Tally(), 0)
    assert heard == []
    progress.report(Tally(), 100, last=True)
    assert len(heard) == 1
