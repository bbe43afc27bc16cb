"""Rehearsing failures: which requests go wrong, and how. The format of ``sandbox --faults FILE``.

A YAML file (JSON is YAML too)::

    seed: 7                       # for the rules with a probability; 0 where absent
    rules:
      - fault: reset-after        # what goes wrong, see below
        match:                    # which requests may be hit; all of them where absent
          method: POST            # or a list of methods
          path: /fhir/?$          # a regular expression, searched for in the path
          body: exam-17           # text that the body holds (once unpacked)
        nth: 2                    # of the matching requests the second (or a list), counted from 1
      - {fault: status, status: 503, retry_after: 2, probability: 0.3}
      - {fault: latency, seconds: 0.5, every: 4, times: 10}

The first rule that hits a request decides; a rule's count goes on with each request that it matches, whoever
decides. ``nth``, ``every`` (each so-many-th), ``probability`` (0 to 1) and ``times`` (at most so often) must all
hold where given. Chance depends on the seed, the rule's place and its count alone, so a run can be repeated.

========================= ================================================================================
``latency``               answers after ``seconds`` (1)
``hang``                  no answer for ``seconds`` (30), then the connection is closed; ``carried_out`` (false)
``reset-before``          the connection is reset before anything is carried out
``reset-after``           carried out, then the connection is reset without a byte of the answer
``reset-body``            carried out, then the connection is reset in the middle of the answer's body
``short-body``            carried out, the connection is closed in order in the middle of the answer's body
``truncated``             carried out, the answer's body ends in its middle although HTTP says that it is whole
``empty``                 carried out, the answer has no body
``slow-body``             carried out, the body comes in ten pieces over ``seconds`` (2)
``wrong-type``            carried out, the answer says that it is ``content_type`` (text/plain)
``html``                  a web page instead of FHIR with ``status`` (200); ``carried_out`` (false)
``status``                ``status`` (400 to 599) with an OperationOutcome; ``retry_after`` in seconds or as an
                          HTTP date; ``carried_out`` (false): a gateway that gives up while the server goes on
========================= ================================================================================

``carried_out: true`` lets the request take effect before its answer is replaced.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from adapter.problems import AdapterError, ExitCode

Seconds = Annotated[float, Field(ge=0, le=3600)]
Count = Annotated[int, Field(ge=1)]


class BadFaults(AdapterError, ValueError):
    """A file of faults that cannot be used; the message names each place and what would be right there."""

    exit_code = ExitCode.USAGE


def _as_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else (value,)


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class FaultMatch(_Frozen):
    """Which requests a rule is about; what is absent fits any."""

    method: Annotated[tuple[Literal["GET", "POST", "PUT", "DELETE", "HEAD"], ...], BeforeValidator(_as_tuple)] = ()
    path: str = ""
    body: str = ""

    @field_validator("path")
    @classmethod
    def _expression(cls, value: str) -> str:
        try:
            re.compile(value)
        except re.error as error:
            raise ValueError(f"not a regular expression: {error}") from None
        return value

    def fits(self, method: str, path: str, body: bytes) -> bool:
        """Whether a request is one that is meant."""
        return (
            (not self.method or method in self.method)
            and re.search(self.path, path) is not None
            and self.body.encode() in body
        )


class _Rule(_Frozen):
    match: FaultMatch = FaultMatch()
    nth: Annotated[tuple[Count, ...], BeforeValidator(_as_tuple)] = ()
    every: Count = 1
    probability: Annotated[float, Field(ge=0, le=1)] = 1.0
    times: Count | None = None

    def due(self, count: int, seed: str) -> bool:
        """Whether the ``count``-th request that this rule matches is hit, ``times`` aside."""
        chosen = count in self.nth if self.nth else count % self.every == 0
        # A generator a request: its outcome does not hang on the order in which requests arrive.
        return chosen and random.Random(f"{seed}/{count}").random() < self.probability  # noqa: S311 (no secret)


class Latency(_Rule):
    """A late answer."""

    fault: Literal["latency"]
    seconds: Seconds = 1.0


class Hang(_Rule):
    """No answer at all."""

    fault: Literal["hang"]
    seconds: Seconds = 30.0
    carried_out: bool = False


class CutBody(_Rule):
    """A connection that breaks before, after or within the answer, or an answer that is cut short."""

    fault: Literal["reset-before", "reset-after", "reset-body", "short-body", "truncated", "empty"]


class SlowBody(_Rule):
    """An answer that comes in drops."""

    fault: Literal["slow-body"]
    seconds: Seconds = 2.0


class WrongType(_Rule):
    """The right answer under a wrong Content-Type."""

    fault: Literal["wrong-type"]
    content_type: str = Field(default="text/plain", pattern=r"^[\x21-\x7e ]+$")


class HtmlAnswer(_Rule):
    """A web page instead of FHIR, as from a gateway or a sign-in page."""

    fault: Literal["html"]
    status: Annotated[int, Field(ge=200, le=599)] = 200
    carried_out: bool = False


class StatusAnswer(_Rule):
    """A refusal with an OperationOutcome."""

    fault: Literal["status"]
    status: Annotated[int, Field(ge=400, le=599)]
    retry_after: Annotated[str, BeforeValidator(str), Field(pattern=r"^[\x20-\x7e]*$")] = ""
    carried_out: bool = False


Rule = Latency | Hang | CutBody | SlowBody | WrongType | HtmlAnswer | StatusAnswer


class _File(_Frozen):
    seed: int = 0
    rules: tuple[Annotated[Rule, Field(discriminator="fault")], ...]


@dataclass(slots=True)
class Faults:
    """The rules of one server and what they have counted so far; ask :meth:`hit` once a request.

    ``hits`` counts by rule, from 0, how often it was the one that decided.
    """

    rules: tuple[Rule, ...] = ()
    seed: int = 0
    hits: Counter[int] = field(default_factory=Counter)
    _seen: Counter[int] = field(default_factory=Counter)

    @property
    def needs_body(self) -> bool:
        """Whether any rule looks into bodies."""
        return any(rule.match.body for rule in self.rules)

    def hit(self, method: str, path: str, body: bytes = b"") -> Rule | None:
        """The rule that decides over this request, or None where it is to go well."""
        chosen: int | None = None
        for place, rule in enumerate(self.rules):
            if not rule.match.fits(method, path, body):
                continue
            self._seen[place] += 1
            left = rule.times is None or self.hits[place] < rule.times
            if chosen is None and left and rule.due(self._seen[place], f"{self.seed}/{place}"):
                chosen = place
        if chosen is None:
            return None
        self.hits[chosen] += 1
        return self.rules[chosen]


def parse_faults(content: Any) -> Faults:
    """Faults from the content of a file, already read; raises :class:`BadFaults`."""
    try:
        file = _File.model_validate(content)
    except ValidationError as error:
        raise BadFaults("\n".join(_in_words(e["loc"], e["msg"]) for e in error.errors())) from None
    return Faults(file.rules, file.seed)


def load_faults(path: Path) -> Faults:
    """Faults from a YAML file; raises :class:`BadFaults`, and ``OSError`` where it cannot be read."""
    try:
        return parse_faults(yaml.safe_load(path.read_text("utf-8")))
    except yaml.YAMLError as error:
        raise BadFaults(f"not YAML: {' '.join(str(error).split())}") from None
    except UnicodeDecodeError:
        raise BadFaults("not UTF-8; save it again with that encoding") from None


def _in_words(location: tuple[int | str, ...], message: str) -> str:
    """``rules[2].seconds: Input should be ...``; the union's own steps in the path are left out."""
    place = ""
    for step, part in enumerate(location):
        if isinstance(part, int):
            place += f"[{part}]"
        elif step != 2 or location[0] != "rules":  # there stands the name of the fault, which is no key
            place += f".{part}" if place else part
    return f"{place or 'the file'}: {message}"
