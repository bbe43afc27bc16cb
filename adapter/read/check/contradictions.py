"""Findings that cannot both be true: flagged with both places, never mended here."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import ItemType, Meaning
from adapter.derive.sexes import genital_types, typical_sex
from adapter.exam import Sex
from adapter.problems import Problem
from adapter.read.check.repeats import overlap
from adapter.read.check.subject import Placed, Subject

# Warned: (item, answers or none for any) together with (item, answers). Common practice.
UNLIKELY = (
    ("sacral_dimple_diameter", (), "spine_midline_skin", ("intact_clear",)),
    ("sacral_dimple_anus_distance", (), "spine_midline_skin", ("intact_clear",)),
    ("suck", ("absent",), "feeding_quality", ("latches_and_swallows",)),
    ("bowel_sounds", ("absent_with_distension",), "abdomen_shape", ("rounded",)),
)


def check_contradictions(subject: Subject) -> Iterator[Problem]:
    """None seen together with something seen; items of the other sex; pairs that do not go together."""
    by_item: dict[str, list[Placed]] = {}
    for placed in subject.findings:
        by_item.setdefault(placed.item.id, []).append(placed)
    for same in by_item.values():
        if len(same) > 1 and same[0].item.type is ItemType.CHOICES:
            yield from _none_and_some(same, subject)
    yield from _sex(subject)
    yield from _gestation_twice(by_item.get("gestational_age_at_birth", []), subject)
    for item, answers, other, others in UNLIKELY:
        one = next((p for p in by_item.get(item, ()) if _says(p, answers)), None)
        two = next((p for p in by_item.get(other, ()) if _says(p, others)), None)
        if one is not None and two is not None:
            yield one.warning(
                "value",
                "do-not-go-together",
                f"{item} and {other} ({two.finding.answer}, at {two.at().where}) do not go together",
                "look again at both; keep them if both are right",
            )


def _gestation_twice(captured: list[Placed], subject: Subject) -> Iterator[Problem]:
    """The newborn's record becomes that very Observation; two of them could not be told apart."""
    if captured and subject.newborn is not None and subject.newborn.gestation is not None:
        yield captured[0].error(
            "",
            "given-twice",
            "the gestation at birth is given here and in the newborn's record",
            "once, as /newborn/gestation",
        )


def _says(placed: Placed, answers: tuple[str, ...]) -> bool:
    return placed.finding.answer in answers if answers else placed.finding.value is not None


def _none_and_some(same: list[Placed], subject: Subject) -> Iterator[Problem]:
    answered = [(p, a) for p in same if p.finding.answer and (a := p.item.answer(p.finding.answer))]
    for placed, answer in answered:
        if answer.meaning is not Meaning.EXPECTED:
            continue
        for other, more in answered:
            if other is placed or more is answer or not overlap(placed, other, subject):
                continue
            where = f"{more.id} at {other.at().where}"
            if answer.exclusive:
                yield placed.error(
                    "value",
                    "none-and-some",
                    f"{answer.id} together with {where}",
                    f"leave {answer.id} out where something was found",
                )
                break
            if more.meaning is Meaning.ABNORMAL:
                yield placed.warning(
                    "value",
                    "expected-and-abnormal",
                    f"{answer.id} is the expected answer, and {where} is abnormal",
                    "only the answers that are true of this infant; keep both if they are",
                )
                break


def _sex(subject: Subject) -> Iterator[Problem]:
    findings = [placed.finding for placed in subject.findings]
    sex = typical_sex(subject.newborn, findings)
    if sex is None:
        return
    for placed in subject.findings:
        item, reason = placed.item, placed.finding.not_examined
        if item.sex is not None and item.sex != sex.value and reason != "not_applicable":
            yield placed.error(
                "item",
                "other-sex",
                f"{item.id} belongs to a {item.sex} infant; this one is {sex.value} by what was recorded",
                "correct sex or genital_type if that is wrong; not_examined not_applicable; or genital_type atypical",
            )
    newborn = subject.newborn
    if genital_types(findings) and newborn and newborn.sex in (Sex.FEMALE, Sex.MALE) and newborn.sex is not sex:
        yield subject.place("/newborn/sex").warning(
            "sex-and-genital-type",
            f"the sex on record is {newborn.sex.value}, the genital type seen typical of {sex.value}",
            "check both, and that this is the right infant",
        )
