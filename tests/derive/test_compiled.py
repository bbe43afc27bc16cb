"""The compiled tables: plain JSON, and they hold where their conditions, read as a tree, hold."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from hypothesis import event, given
from hypothesis import strategies as st
from scenes import CATALOGUE, missed, read, said, scene

from adapter.catalogue import Item, Meaning, When
from adapter.derive import judge, judged_findings
from adapter.derive.compiled import compiled
from adapter.derive.rules import rule_findings
from adapter.derive.view import ExamView
from adapter.exam import Comparator, Exam, Urgency
from adapter.forms.page import page_data
from drawn import drawn
from rule_trees import ITEMS, Walk, conditions, over_exams, with_rules
from strategies import exams

TABLES = compiled(CATALOGUE)


def test_the_tables_are_plain_json_and_the_page_has_exactly_these() -> None:
    assert json.loads(json.dumps(TABLES)) == list(TABLES)
    data = page_data(CATALOGUE, None, served=False)
    assert [rule["id"] for rule in data["rules"]] == [rule["id"] for rule in TABLES.rules]

    def written_out(place: int) -> list[Any]:
        op, *asked = data["steps"][place]
        if op != "some":
            return [[op, *asked]]
        return [*(step for part in asked[1] for step in written_out(part)), ["some", asked[0], len(asked[1])]]

    assert [written_out(rule["steps"]) for rule in data["rules"]] == [rule["steps"] for rule in TABLES.rules]
    shared = data["shared"]
    for item in data["items"]:
        ranges = item.get("ranges", [])
        assert (shared[ranges] if isinstance(ranges, int) else ranges) == TABLES.ranges.get(item["id"], [])


def test_no_number_is_anything_but_text() -> None:
    """A binary number would lose digits on the way; only how many of how many are numbers."""

    def numbers(table: object) -> list[object]:
        if isinstance(table, list):
            if table and table[0] == "some":
                return []
            if table and table[0] == "times":
                return numbers([*table[1:3], *table[4:]])
            return [number for part in table for number in numbers(part)]
        if isinstance(table, dict):
            return [number for part in table.values() for number in numbers(part)]
        return [table] if isinstance(table, (int, float)) else []

    assert numbers(list(TABLES)) == []


def _held(exam: Exam, before: list[Exam], several: list[When]) -> list[tuple[object, object]]:
    """By which findings each condition holds: read off its tree, and as the program finds."""
    catalogue, bare = with_rules(CATALOGUE, several), with_rules(CATALOGUE, ())
    pool = judged_findings(exam, bare, before)[1]
    walk = Walk(exam, pool, catalogue, [ExamView(one, bare) for one in before])
    made = {
        one.maker.id: {*one.derived_from, *((was.exam, was.number) for was in one.earlier)}
        for one in rule_findings(exam, pool, catalogue, before)
        if one.maker
    }
    return [(walk.holds(when), made.get(f"r{n}")) for n, when in enumerate(several)]


def test_a_gap_for_any_reason_is_a_gap_and_no_answer() -> None:
    """No shipped rule asks for any reason; a site's may."""
    asked = [When(item="murmur", not_examined=reasons) for reasons in (("any",), ("crying",))]
    for finding, held in ((missed("murmur"), 2), (missed("murmur", "asleep"), 1), (said("murmur", "none_heard"), 0)):
        made = _held(scene(finding), [], asked)
        assert [by == {0} for _, by in made] == [number < held for number in range(2)], finding
        assert [by for _, by in made] == [walked for walked, _ in made]


@drawn(150)
@given(exams(CATALOGUE, min_items=6, max_items=14, items=ITEMS), st.lists(conditions(CATALOGUE), max_size=6))
def test_steps_hold_where_the_tree_holds_and_by_the_same_findings(exam: Exam, several: list[When]) -> None:
    held = _held(exam, [], several)
    event(f"{sum(made is not None for _, made in held)} of {len(held)} hold")
    for expected, made in held:
        assert made == expected


@drawn(60)
@given(over_exams(CATALOGUE))
def test_so_do_those_that_ask_of_earlier_exams(drawn_: tuple[Exam, list[Exam], list[When]]) -> None:
    for expected, made in _held(*drawn_):
        event(str(made is not None))
        assert made == expected


NUMBERS = [item for item in CATALOGUE.items.values() if item.ranges and item.unit and not item.components]


@drawn(150)
@given(st.sampled_from(NUMBERS), st.sampled_from(Comparator), st.data())
def test_a_value_beyond_what_was_read_is_never_judged_worse_than_one_it_allows(
    item: Item, comparator: Comparator, data: st.DataObject
) -> None:
    """``<40`` is 39, or 2: what is said of it is said of each."""
    assert item.limits is not None
    low, high = (int(end) for end in item.limits.possible)
    end, other = data.draw(st.integers(low, high)), data.draw(st.integers(low, high))
    if not {"<": other < end, "<=": other <= end, ">": other > end, ">=": other >= end}[comparator.value]:
        other = end - 1 if comparator.value[0] == "<" else end + 1
    place = item.sites[0] if item.site_required else None
    unit = item.unit or ""
    open_end = read(item.id, str(end), unit, site=place)
    assert open_end.value is not None
    beyond = open_end.model_copy(update={"value": open_end.value.model_copy(update={"comparator": comparator})})
    exact = read(item.id, str(other), unit, site=place)
    exam = scene(beyond)
    said, one = judge(beyond, item, exam, CATALOGUE), judge(exact, item, scene(exact), CATALOGUE)
    if said is not None:
        assert one is not None
        assert list(Urgency).index(said.urgency) <= list(Urgency).index(one.urgency)
        assert said.meaning is one.meaning
        assert said.meaning is Meaning.ABNORMAL or said.band is one.band


def test_a_value_beyond_what_was_read_is_judged_where_all_it_allows_is() -> None:
    below = read("glucose", "25", "mg/dL")
    assert below.value is not None
    beyond = below.model_copy(update={"value": below.value.model_copy(update={"comparator": Comparator.LESS})})
    said = judge(beyond, CATALOGUE.items["glucose"], scene(beyond), CATALOGUE)
    assert said is not None
    assert said.band is not None
    assert said.band.high is not None
    assert said.band.high.value == Decimal(25)
