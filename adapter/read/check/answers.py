"""Does the value fit the item: an answer it has, a number where it is measured, words where it is described?"""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Item, ItemType
from adapter.exam import At, Quantities, Quantity, Score
from adapter.problems import Problem
from adapter.read.check.subject import Placed, Subject
from adapter.read.wording import near, one_of, shown, takes

_CLASSES: dict[ItemType, type] = {
    ItemType.CHOICE: str,
    ItemType.CHOICES: str,
    ItemType.QUANTITY: Quantity,
    ItemType.QUANTITIES: Quantities,
    ItemType.SCORE: Score,
    ItemType.TIME: At,
}
_WORDS = (ItemType.CHOICE, ItemType.CHOICES, ItemType.TEXT)


def fits(value: object, item: Item) -> bool:
    """Whether a value is of the kind that the item takes; a text item takes no value at all.

    An item that asks for a moment may have answers too, such as that nothing has happened yet.
    """
    if item.type is ItemType.TIME and isinstance(value, str):
        return bool(item.answers)
    wanted = _CLASSES.get(item.type)
    return wanted is not None and isinstance(value, wanted)


def check_answers(subject: Subject) -> Iterator[Problem]:
    """Values of the wrong kind, unknown answers, words where a measurement belongs, unknown reasons."""
    for placed in subject.findings:
        finding = placed.finding
        if finding.value is not None:
            yield from _value(placed, subject)
        elif finding.not_examined is not None:
            reasons = subject.catalogue.reasons
            if finding.not_examined not in reasons:
                yield placed.error(
                    "not_examined",
                    "unknown-reason",
                    f"no reason {shown(finding.not_examined)} for not examining",
                    one_of(finding.not_examined, reasons, most=20),
                )
        elif finding.text is not None:
            yield from _text(placed, finding.text, subject)
        if placed.item.computed and finding.not_examined is None:
            yield placed.at().information(
                "computed-by-hand",
                f"{placed.item.id} is computed from other findings; this one was captured by hand",
                "leave it out, and it is computed with its sources named",
                placed.item.id,
            )


def _value(placed: Placed, subject: Subject) -> Iterator[Problem]:
    item, finding = placed.item, placed.finding
    if not fits(finding.value, item):
        yield wrong_kind(placed, subject)
    elif finding.answer is not None and item.answer(finding.answer) is None:
        meant = near(finding.answer, [a.label for a in item.answers])
        by_label = next((a.id for a in item.answers if meant and a.label == meant[0]), None)
        ids = [a.id for a in item.offered]
        if by_label and not near(finding.answer, ids):
            remedy = f"did you mean {by_label}? Allowed: {', '.join(ids)}"
        else:
            remedy = one_of(finding.answer, ids, most=20)
        yield placed.error("value", "unknown-answer", f"{item.id} has no answer {shown(finding.answer)}", remedy)


def wrong_kind(placed: Placed, subject: Subject) -> Problem:
    """The problem of a value that is not of the kind its item takes."""
    said = {str: "an answer", Quantity: "a number", Quantities: "several numbers", Score: "a score", At: "a time"}
    kind = next((words for cls, words in said.items() if isinstance(placed.finding.value, cls)), "a value")
    return placed.error(
        "value",
        "wrong-kind-of-value",
        f"{placed.item.id} does not take {kind}",
        takes(placed.item, subject.catalogue.units),
    )


def _text(placed: Placed, text: str, subject: Subject) -> Iterator[Problem]:
    item = placed.item
    if item.type not in _WORDS:
        yield placed.error(
            "text",
            "text-for-measurement",
            f"{item.id} is not answered in words",
            f"{takes(item, subject.catalogue.units)}; words belong in note, a reason in not_examined",
        )
    for answer in item.answers:
        if text.casefold() in (answer.label.casefold(), answer.id):
            yield placed.warning(
                "text",
                "text-is-an-answer",
                f"the words are those of an answer of {item.id}",
                f"value {answer.id} instead of text, so that the finding can be counted",
            )
