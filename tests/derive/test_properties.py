"""What holds of every exam: order, further normal findings, units and time zones do not move the tell list."""

from __future__ import annotations

from datetime import timedelta, timezone
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from scenes import CATALOGUE, tells

from adapter.catalogue import Item, ItemType, Meaning, Sides
from adapter.derive import Tell
from adapter.exam import At, Exam, Finding, Quantity, Side, Status, Urgency
from drawn import drawn
from strategies import exams

INSTANT = timezone(timedelta(hours=-5))


def told(exam: Exam) -> list[tuple[Any, ...]]:
    """The list without the indexes, which follow the order of the file."""
    return sorted((t.urgency.value, t.words, t.rule, tuple(sorted(t.because))) for t in tells(exam))


@drawn(60)
@given(exams(CATALOGUE, max_items=25), st.randoms(use_true_random=False))
def test_the_order_of_findings_does_not_matter(exam: Exam, chance: Any) -> None:
    shuffled = list(exam.findings)
    chance.shuffle(shuffled)
    assert told(exam.model_copy(update={"findings": tuple(shuffled)})) == told(exam)


def _normal(item: Item, side: Side | None) -> Finding | None:
    """A finding of an item as expected, or None where the item has no such answer."""
    expected = next((a.id for a in item.answers if a.meaning is Meaning.EXPECTED), None)
    if item.type in (ItemType.CHOICE, ItemType.CHOICES) and expected:
        return Finding(item=item.id, value=expected, side=side, site=item.sites[0] if item.site_required else None)
    return None


NORMAL = [
    one
    for item in CATALOGUE.items.values()
    # the genital type says which items an infant has at all: a testis is not still to do in a girl
    if not item.computed and item.id != "genital_type"
    for side in ((Side.LEFT, Side.RIGHT) if item.sides is Sides.EACH else (None,))
    if (one := _normal(item, side))
]


def _stands_for(line: Tell, lines: tuple[Tell, ...]) -> bool:
    """Whether the line is still told, at least as urgently: by itself, or within a line that stands for it."""
    order = list(Urgency)
    return any(
        order.index(other.urgency) >= order.index(line.urgency)
        and (other.rule == line.rule or set(line.rests_on) & set(other.rests_on))
        for other in lines
    )


@drawn(80)
@given(exams(CATALOGUE, max_items=15), st.lists(st.sampled_from(NORMAL), min_size=1, max_size=6))
def test_a_further_normal_finding_never_removes_a_tell(exam: Exam, more: list[Finding]) -> None:
    held = {(finding.item, finding.side) for finding in exam.findings}
    held |= {(finding.item, None) for finding in exam.findings}
    fresh = tuple(f for f in dict.fromkeys(more) if (f.item, f.side) not in held and (f.item, None) not in held)
    before, after = tells(exam), tells(exam.model_copy(update={"findings": (*exam.findings, *fresh)}))
    now_done = {f.item for f in fresh}
    for line in before:
        if line.finding is None and line.item.id in now_done:
            continue  # what was still to do is done
        assert _stands_for(line, after), line


@drawn(60)
@given(exams(CATALOGUE, max_items=25), st.integers(-48, 56))
def test_time_zones_do_not_matter(exam: Exam, quarter_hours: int) -> None:
    zone = timezone(timedelta(minutes=15 * quarter_hours))

    def moved(finding: Finding) -> Finding:
        at = finding.observed_at.astimezone(zone) if finding.observed_at else None
        value = At(time=finding.value.time.astimezone(zone)) if isinstance(finding.value, At) else finding.value
        return finding.model_copy(update={"observed_at": at, "value": value})

    details = exam.details.model_copy(update={"started": exam.details.started.astimezone(zone)})
    newborn = exam.newborn.model_copy(update={"birth_time": exam.newborn.birth_time.astimezone(INSTANT)})
    elsewhere = exam.model_copy(
        update={"details": details, "newborn": newborn, "findings": tuple(moved(f) for f in exam.findings)}
    )
    assert [(t.urgency, t.rule) for t in tells(elsewhere)] == [(t.urgency, t.rule) for t in tells(exam)]


@drawn(60)
@given(exams(CATALOGUE, max_items=25))
def test_units_as_captured_do_not_matter(exam: Exam) -> None:
    """Grams and centimetres read in the item's own unit and in kilograms or millimetres, exactly."""
    factors = {"g": ("kg", -3), "kg": ("g", 3), "cm": ("mm", 1), "mm": ("cm", -1)}

    def other(finding: Finding) -> Finding:
        value = finding.value
        if not isinstance(value, Quantity) or value.plus is not None:
            return finding
        unit = CATALOGUE.units.find(value.unit)
        if unit is None or unit.ucum not in factors:
            return finding
        ucum, shift = factors[unit.ucum]
        changed = value.model_copy(update={"value": value.value.scaleb(shift), "unit": ucum})
        return finding.model_copy(update={"value": changed})

    changed = exam.model_copy(update={"findings": tuple(other(f) for f in exam.findings)})
    assert [(t.urgency, t.rule) for t in tells(changed)] == [(t.urgency, t.rule) for t in tells(exam)]


@drawn(40)
@given(exams(CATALOGUE, max_items=25))
def test_every_line_says_why_by_which_rule_and_from_where(exam: Exam) -> None:
    lines = tells(exam)
    assert all(line.words and line.reason and line.rule and line.source for line in lines)
    if exam.details.status is Status.ENTERED_IN_ERROR:
        assert lines == ()
