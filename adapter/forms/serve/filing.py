"""One posted record: checked, and put into the drop folder once, or refused with what to mend.

A record is known by its exam's id. The very same record again is one file; another record under the same id is
refused, because the first may be on its way to the server: what is to be corrected is an amendment, with an id of its
own. A record that lies in ``failed/`` may come again, as it was or mended.
"""

from __future__ import annotations

import fcntl
import io
import os
import threading
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from types import TracebackType
from typing import Any

from adapter.catalogue import Catalogue
from adapter.derive import computed_findings, tell_list
from adapter.derive.tell import Tell
from adapter.exam import Exam, Urgency
from adapter.files.drop import is_file, put, versions
from adapter.files.whole import locked, swept
from adapter.problems import AdapterError, ExitCode, Problem
from adapter.read import read
from adapter.read.json_writer import to_json
from adapter.read.places import Place
from adapter.read.reading import Reading

_SECTIONS = {Urgency.TELL_NOW: "now", Urgency.TELL_SOON: "soon", Urgency.TELL: "next", Urgency.NONE: "todo"}


class CannotFile(AdapterError):
    """The drop folder cannot be used; the message says why and what would be right."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Answer:
    """What the page is told: an HTTP status and one JSON object, the same shape whatever the status."""

    status: int
    body: dict[str, Any]


def answer(
    status: int, *, file: str | None = None, problems: tuple[Problem, ...] = (), tells: tuple[Tell, ...] = ()
) -> Answer:
    """The answer in its one shape; a record is accepted where it has a file."""
    told: dict[str, list[dict[str, Any]]] = {section: [] for section in _SECTIONS.values()}
    for tell in tells:
        told[_SECTIONS[tell.urgency]].append(_line(tell))
    shown = [
        {
            "severity": p.severity.value,
            "rule": p.rule,
            "item": p.item,
            "where": p.where,
            "what": p.what,
            "remedy": p.remedy,
        }
        for p in problems
    ]
    return Answer(status, {"accepted": file is not None, "file": file, "problems": shown, "tell": told})


def refusal(status: int, rule: str, what: str, remedy: str) -> Answer:
    """Nothing was filed, for one reason."""
    return answer(status, problems=(Place().error(rule, what, remedy),))


def _line(tell: Tell) -> dict[str, Any]:
    return {
        "item": tell.item.id,
        "side": tell.side.value if tell.side else None,
        "words": tell.words,
        "because": list(tell.because),
        "reason": tell.reason,
        "rule": tell.rule,
        "source": tell.source,
    }


class Filing:
    """Files records into ``drop``, for one process at a time, as a context manager.

    Raises :class:`CannotFile` where the folder is not there, cannot be written, or is filled by another process.
    """

    def __init__(self, drop: Path, catalogue: Catalogue) -> None:
        self._drop, self._catalogue, self.words = drop, catalogue, catalogue.words
        self._turn, self._lock = threading.Lock(), -1

    def __enter__(self) -> Filing:
        try:
            self._lock = locked(self._drop / ".form-lock")
        except OSError as error:
            raise CannotFile(f"{self._drop} cannot be written: {error.strerror}") from None
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._lock)
            raise CannotFile(f"another process files records into {self._drop}; one folder each") from None
        swept(self._drop)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._lock)  # which gives the lock up, as the end of the process would

    def file(self, body: bytes) -> Answer:
        """Check one record and file it, from any thread."""
        readings = list(read(io.BytesIO(body), self._catalogue, name="record.json"))
        if len(readings) != 1:
            what = f"{len(readings)} records in one"
            return refusal(HTTPStatus.UNPROCESSABLE_ENTITY, "several-records", what, "each record by itself")
        (reading,) = readings
        exam = reading.exam
        if exam is None or not reading.accepted:
            return answer(HTTPStatus.UNPROCESSABLE_ENTITY, problems=reading.problems)
        tells = tell_list(exam, computed_findings(exam, self._catalogue), self._catalogue)
        with self._turn:
            return self._put(exam, body, reading, tells)

    def _put(self, exam: Exam, body: bytes, reading: Reading, tells: tuple[Tell, ...]) -> Answer:
        name = f"{exam.details.id}.json"
        try:
            for before in versions(self._drop, name):
                return self._again(before, exam, reading, tells)
            if not put(self._drop, name, body):
                return self._taken(self._drop / name, exam, reading, tells)
        except OSError as error:
            what = f"the record could not be written: {error.strerror}"
            remedy = "keep it here and try again, or save it as a file; it is NOT handed over"
            return refusal(HTTPStatus.INSUFFICIENT_STORAGE, "not-written", what, remedy)
        return answer(HTTPStatus.CREATED, file=name, problems=reading.problems, tells=tells)

    def _taken(self, there: Path, exam: Exam, reading: Reading, tells: tuple[Tell, ...]) -> Answer:
        """The answer where something has the name: dropped by others meanwhile, or nothing that is ever sent."""
        if is_file(there):
            return self._again(there, exam, reading, tells)
        what = f"{there.name} in the drop folder is a link or a folder, which is never sent"
        remedy = "that taken away by whoever looks after the folder; keep the record here, it is NOT handed over"
        return refusal(HTTPStatus.INSUFFICIENT_STORAGE, "not-written", what, remedy)

    def _again(self, before: Path, exam: Exam, reading: Reading, tells: tuple[Tell, ...]) -> Answer:
        """The answer where a record of this exam's id was filed before."""
        if self._same(before, exam):
            return answer(HTTPStatus.OK, file=f"{exam.details.id}.json", problems=reading.problems, tells=tells)
        what = f"another record of the exam {exam.details.id} was handed over before"
        remedy = (
            f"if this one corrects it: an id of its own, status amended, amends {exam.details.root}, and the reason; "
            "if it is another exam: an id of its own"
        )
        problem = Place("/exam/id").error("already-filed", what, remedy)
        return answer(HTTPStatus.CONFLICT, problems=(problem, *reading.problems), tells=tells)

    def _same(self, path: Path, exam: Exam) -> bool:
        """Whether the file holds this very exam, each digit and each offset."""
        found = [one.exam for one in read(path, self._catalogue) if one.exam is not None]
        if not found and not path.exists():  # it moved on while it was looked at
            moved = next(versions(self._drop, path.name), None)
            return moved is not None and moved != path and self._same(moved, exam)
        return len(found) == 1 and to_json(found[0]) == to_json(exam)
