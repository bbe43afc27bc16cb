"""Who answers: a server, in batches where it can, or what was recorded of one, without a network.

A record is NDJSON: who was asked and when, then a line for each question with its answer. It holds codes and names.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Protocol

from adapter.fhir.json import Json
from adapter.files.whole import writing
from adapter.problems import AdapterError, ExitCode
from adapter.send.failures import Unreachable
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.client import FhirClient

_AT_ONCE = 50


class NoRecord(AdapterError):
    """A record that cannot be read; the message says why."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to one question: an HTTP status (0: nobody was asked) and the resource, empty where refused."""

    status: int
    resource: Json

    @property
    def answered(self) -> bool:
        """Whether the operation was carried out."""
        return 200 <= self.status < 300 and bool(self.resource)


class Terminology(Protocol):
    """Answers questions (:mod:`adapter.send.terminology.questions`), in their order."""

    server: str
    software: str
    asked_at: datetime

    def ask(self, questions: Sequence[str]) -> list[Reply]:
        """An answer to each question."""
        ...


class Server:
    """A FHIR server over a client that is open. Raises what the client raises where it gives no answer at all."""

    def __init__(self, client: FhirClient, at_once: int = _AT_ONCE) -> None:
        self._client, self._at_once = client, at_once
        statement = client.capabilities()
        self.server = client.base_url
        self.software = " ".join(filter(None, (statement.get("software", {}).get(k) for k in ("name", "version"))))
        self.asked_at = datetime.now(UTC).replace(microsecond=0)
        rest: Json = next((one for one in statement.get("rest", ()) if one.get("mode") == "server"), {})
        self._batches = any(one.get("code") == "batch" for one in rest.get("interaction", ()))

    def ask(self, questions: Sequence[str]) -> list[Reply]:
        """In batches where the server says that it has them, else one by one."""
        found: list[Reply] = []
        for start in range(0, len(questions), self._at_once):
            chunk = questions[start : start + self._at_once]
            answers = self._batch(chunk) if self._batches else None
            found += answers if answers is not None else map(self._single, chunk)
        return found

    def _batch(self, questions: Sequence[str]) -> list[Reply] | None:
        try:
            return [Reply(status, resource) for status, resource in self._client.read_several(questions)]
        except ServerRefused as refused:
            if refused.status in (401, 403, 429) or refused.status >= 500:
                raise
            self._batches = False  # it says that it can, and cannot: one by one then
            return None

    def _single(self, question: str) -> Reply:
        try:
            return Reply(200, self._client.read_operation(question))
        except ServerRefused as refused:
            if refused.status in (401, 403, 429):
                raise
            return Reply(refused.status, {})


class Recording:
    """Another's answers, each written down as it comes."""

    def __init__(self, inner: Terminology, out: BinaryIO) -> None:
        self._inner, self._out = inner, out
        self.server, self.software, self.asked_at = inner.server, inner.software, inner.asked_at
        self._line({"server": self.server, "software": self.software, "asked": self.asked_at.isoformat()})

    def ask(self, questions: Sequence[str]) -> list[Reply]:
        """As the other answers."""
        replies = self._inner.ask(questions)
        for question, reply in zip(questions, replies, strict=True):
            self._line({"question": question, "status": reply.status, "answer": reply.resource})
        return replies

    def _line(self, content: Json) -> None:
        self._out.write(json.dumps(content, ensure_ascii=False, default=str).encode() + b"\n")


class Recorded:
    """What was recorded. A question that is not in the record gets no answer (status 0)."""

    def __init__(self, path: Path) -> None:
        try:
            lines = [json.loads(line) for line in path.read_text("utf-8").splitlines() if line.strip()]
            head = lines[0]
            self.server, self.software = str(head["server"]), str(head.get("software", ""))
            self.asked_at = datetime.fromisoformat(head["asked"])
            self._answers = {line["question"]: Reply(int(line["status"]), line["answer"] or {}) for line in lines[1:]}
        except OSError as error:
            raise NoRecord(f"{path} cannot be read: {error.strerror}") from None
        except (ValueError, KeyError, IndexError, TypeError, AttributeError):
            what = "is no record of a terminology server: lines of JSON, the first with server and asked"
            raise NoRecord(f"{path} {what}") from None

    def ask(self, questions: Sequence[str]) -> list[Reply]:
        """As it was answered then."""
        return [self._answers.get(question, Reply(0, {})) for question in questions]


@contextmanager
def recorded_answers(inner: Terminology, path: Path | None) -> Iterator[Terminology]:
    """Another's answers, recorded into a file where one is named; the file is there only when all went well."""
    if path is None:
        yield inner
        return
    with writing(path, public=True) as out:
        yield Recording(inner, out)


__all__ = [
    "NoRecord",
    "Recorded",
    "Recording",
    "Reply",
    "Server",
    "Terminology",
    "Unreachable",
    "recorded_answers",
]
