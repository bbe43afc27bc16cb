"""Rules on findings that matter together: their typed form (``rules.yaml``).

A rule is data alone: an id, a condition, how soon to tell, why, and where that comes from. The condition is a
tree of groups (``all``, ``any``, ``at_least`` n of) whose leaves each ask one thing: of one item (its answers,
meaning, flag or number, its being not examined or not recorded; how often, how it was before, how it changed), or of
the infant (age, gestation, sex).
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from pydantic import Field, model_validator

from adapter.catalogue.code import Frozen
from adapter.catalogue.model import Condition, Flag, Meaning, Span
from adapter.exam.model import Urgency
from adapter.exam.text import Key


class Minus(Frozen):
    """What is taken away from the number of a leaf: the same measurement at other sites, or another item's."""

    item: Key | None = None
    sites: tuple[Key, ...] = ()


class When(Frozen):
    """One node of a condition: a group of others, or a leaf.

    ``same_side``: what the group asks of items that are examined on each side must hold on one and the same
    side; ``both_sides``: on the left and on the right, each by itself. A leaf without ``item`` asks of the
    infant at the exam's start, or with ``not_examined`` of any item. In a leaf with ``item``, all that is given
    must hold of one and the same finding; ``age_hours`` is then the age at which it was made. ``number`` is in
    the item's unit (hours of life for a moment); with ``minus`` it is the difference. ``not_examined`` lists
    reasons, or ``any``. ``not_recorded`` holds where the exam has no finding of the item at all.

    Four ask of the earlier exams too. ``earlier``: what is asked holds of a finding of an earlier exam, made before
    this one began. ``never``: it holds of no finding, of this exam or of an earlier one (with ``within_hours``: one
    that was made no longer before this exam began). ``times``: of so many findings made at different moments, here
    and earlier, one at least here. ``change``: the number less an earlier one lies so, where side, place and method
    are not known to differ; all else that is asked is asked of the later one, which is of this exam.
    ``within_hours``: no more lies between first and last of them. None but ``never``, which
    names its answer, can be undone by a further finding: a normal reading is no answer to two low ones.

    ``within_hours`` on a group: it holds too by findings of this exam and of earlier ones together, where no more
    lies between the first and the last of them and one at least is of this exam. ``ever``: whatever lies between, of
    what does not go away.
    """

    all: tuple[When, ...] = ()
    any: tuple[When, ...] = ()
    at_least: int | None = Field(default=None, ge=1)
    of: tuple[When, ...] = ()
    same_side: bool = False
    both_sides: bool = False
    ever: bool = False

    item: Key | None = None
    answers: tuple[Key, ...] = ()
    meanings: tuple[Meaning, ...] = ()
    flags: tuple[Flag, ...] = ()
    number: Span | None = None
    component: Key | None = None
    sites: tuple[Key, ...] = ()
    minus: Minus | None = None
    not_examined: tuple[Key, ...] = ()
    not_recorded: bool = False
    earlier: bool = False
    never: bool = False
    times: int | None = Field(default=None, ge=2)
    change: Span | None = None
    within_hours: Decimal | None = Field(default=None, gt=0)
    age_hours: Span | None = None
    gestation_weeks: Span | None = None
    sex: str | None = None

    @model_validator(mode="after")
    def _one_form(self) -> When:
        groups = [name for name in ("all", "any", "of") if getattr(self, name)]
        leaf = self._asks()
        if len(groups) + bool(leaf) != 1:
            raise ValueError(
                "a condition is one group (all, any, at_least with of) or one leaf; never both or neither"
            )
        if bool(self.of) != (self.at_least is not None):
            raise ValueError("at_least and of go together: at_least: 2, of: [...]")
        if self.of and self.at_least is not None and self.at_least > len(self.of):
            raise ValueError(f"at_least {self.at_least} of {len(self.of)} can never hold")
        if leaf and (self.same_side or self.both_sides):
            raise ValueError("same_side and both_sides belong to a group")
        if self.same_side and self.both_sides:
            raise ValueError("a group holds on the same side or on both, never both")
        if self.item is None and any(name not in (*_OF_THE_INFANT, "not_examined") for name in leaf):
            raise ValueError("only age_hours, gestation_weeks, sex and not_examined can be asked without an item")
        over = [name for name in ("earlier", "never", "times", "change") if getattr(self, name)]
        if len(over) > 1 or (over and (self.not_recorded or self.minus)):
            raise ValueError("a leaf asks one of earlier, never, times, change, minus and not_recorded")
        if self.within_hours is not None and not ({"never", "times", "change"} & {*over} or groups):
            raise ValueError("within_hours goes with never, times, change or a group")
        if self.ever and (leaf or self.within_hours is not None):
            raise ValueError("ever belongs to a group, and without within_hours")
        if self.counts_together and not all(part.of_any_exam for part in self.parts):
            raise ValueError(
                "a group within_hours or ever asks for what was found: no not_recorded, no not_examined of any item,"
                " and nothing that asks of earlier exams by itself"
            )
        return self

    def _asks(self) -> list[str]:
        return [name for name in _LEAF if getattr(self, name)]

    @property
    def over_exams(self) -> bool:
        """Whether a leaf asks of earlier exams too."""
        return self.earlier or self.never or self.times is not None or self.change is not None

    @property
    def counts_together(self) -> bool:
        """Whether it is a group that counts findings of this exam and of earlier ones together."""
        return bool(self.parts) and (self.ever or self.within_hours is not None)

    @property
    def of_any_exam(self) -> bool:
        """Whether it can be asked of findings of several exams as of those of one."""
        if self.parts:
            return not self.counts_together and all(part.of_any_exam for part in self.parts)
        return not (self.over_exams or self.not_recorded or (self.item is None and self.not_examined))

    @property
    def of_this_exam(self) -> bool:
        """Whether it can hold by this exam alone or with others, and never by earlier ones alone."""
        if not self.parts:
            return not self.earlier
        own = sum(part.of_this_exam for part in self.parts)
        needed = self.at_least or (len(self.parts) if self.all else 1)
        return len(self.parts) - own < needed

    @property
    def parts(self) -> tuple[When, ...]:
        """The conditions in a group."""
        return self.all or self.any or self.of

    def leaves(self) -> Iterator[When]:
        """Every leaf below, or itself."""
        if not self.parts:
            yield self
        for part in self.parts:
            yield from part.leaves()

    @property
    def items(self) -> set[str] | None:
        """The items that are asked for; None where a leaf asks of any."""
        leaves = list(self.leaves())
        if any(leaf.item is None and leaf.not_examined for leaf in leaves):
            return None
        return {one for leaf in leaves for one in (leaf.item, leaf.minus and leaf.minus.item) if one}

    def asked_over_exams(self) -> Iterator[When]:
        """The leaves that are asked of earlier exams too, by themselves or by their group."""
        if self.counts_together:
            yield from self.leaves()
        elif not self.parts and self.over_exams:
            yield self
        else:
            for part in self.parts:
                yield from part.asked_over_exams()


_OF_THE_INFANT = ("age_hours", "gestation_weeks", "sex")
_LEAF = (
    *("item", "answers", "meanings", "flags", "number", "component", "sites", "minus"),
    *("not_examined", "not_recorded", "earlier", "never", "times", "change", *_OF_THE_INFANT),
)


class Rule(Frozen):
    """Findings that matter together.

    ``on: false`` ships a rule switched off: a site that has read it switches it on. ``replaces`` names rules that
    say less of the same: where this one holds, they are not told besides. ``one_exam``: why a rule of several
    findings does not count those of several exams together. ``answered_by``: the items of which whatever is recorded
    later answers it, though what was found is still so: a bilirubin answers the yellow of the first day.
    """

    id: Key
    label: str
    on: bool
    urgency: Urgency
    reason: str
    source: str
    replaces: tuple[Key, ...] = ()
    one_exam: str = ""
    answered_by: tuple[Key, ...] = ()
    when: When


class NotJudged(Frozen):
    """Where no range says that a number is expected (``not_judged.yaml``); ``label`` is the reason in words.

    It is of ``items``, or of every item but those of ``but``. ``when`` is asked of the finding, as a range asks;
    ``beside`` of the answers and numbers that the exam holds besides.
    """

    id: Key
    label: str
    source: str
    items: tuple[Key, ...] = ()
    but: tuple[Key, ...] = ()
    when: Condition = Condition()
    beside: When | None = None

    def concerns(self, item: str) -> bool:
        """Whether it is of this item."""
        return item in self.items if self.items else item not in self.but
