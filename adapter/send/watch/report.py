"""The report beside a file: in words, and as one OperationOutcome."""

from __future__ import annotations

from datetime import UTC, datetime

from adapter.fhir.json import dumps
from adapter.problems import Layer, Problem, Severity
from adapter.send.outbox import State
from adapter.send.watch.intake import Fate, TakenFile
from adapter.validate import operation_outcome

_CAUTION = (
    "Not examined and not recorded are not normal. What must be told to a provider is told by people, not by this."
)

_IN_WORDS = {
    State.SENT: "sent",
    State.SUPERSEDED: "not sent, a newer version of the exam goes before it",
    State.DEAD: "NOT SENT, given up",
}


def reports(file: TakenFile, target: str) -> dict[str, bytes]:
    """Both reports by the ending of their names (:data:`adapter.files.drop.REPORTS`)."""
    problems = [problem for fate in file.fates for problem in fate.problems]
    summary = Problem(
        Severity.INFORMATION if file.well else Severity.ERROR, Layer.TRANSPORT, "summary", _headline(file)
    )
    outcome = operation_outcome([summary, *problems])
    return {
        ".report.txt": _text(file, target).encode(),
        ".report.json": dumps(outcome, pretty=True) + b"\n",
    }


def _headline(file: TakenFile) -> str:
    arrived = sum(fate.state is State.SENT for fate in file.fates)
    overtaken = sum(fate.state is State.SUPERSEDED for fate in file.fates)
    failed = len(file.fates) - arrived - overtaken
    words = f"{arrived} of {len(file.fates)} exams are on the server"
    words += f", {overtaken} overtaken by newer versions" if overtaken else ""
    return words + (f", {failed} NOT SENT" if failed else "") + ("" if file.fates else "; there is none in the file")


def _text(file: TakenFile, target: str) -> str:
    lines = [
        f"{file.path.name}: {_headline(file)}",
        f"server   {target}",
        f"content  SHA-256 {file.digest or 'not known'}",
        f"reported {datetime.now(UTC).isoformat(timespec='seconds')}",
        "",
    ]
    for fate in file.fates:
        lines.append(f"{fate.exam or 'an exam that could not be read'}: {_state(fate)}{_counts(fate)}")
        lines += [f"  {line}" for problem in fate.problems for line in str(problem).splitlines()]
    return "\n".join([*lines, "", _CAUTION, ""])


def _state(fate: Fate) -> str:
    if fate.state is None:
        return "NOT SENT, refused here"
    if fate.again:
        return "sent before, nothing new in it"
    return _IN_WORDS.get(fate.state, fate.state.value)


def _counts(fate: Fate) -> str:
    if fate.counts is None:
        return ""
    recorded, skipped, missing = fate.counts
    return f" ({recorded} findings recorded, {skipped} not examined, {missing} not recorded)"
