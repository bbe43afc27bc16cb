"""A policy of de-identification: what is taken out, replaced, moved or kept. YAML, shipped ones by name."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from adapter.catalogue import Catalogue, ItemType
from adapter.catalogue.code import Frozen
from adapter.catalogue.files import mappings
from adapter.catalogue.strict_yaml import read_yaml
from adapter.problems import AdapterError, ExitCode
from adapter.write.deidentify.quasi import QUASI_IDENTIFIERS, SUPPRESSIBLE


class BadPolicy(AdapterError, ValueError):
    """A policy that cannot be used; the message says where it is wrong."""

    exit_code = ExitCode.USAGE


class DeidentificationPolicy(Frozen):
    """What is done to an exam before it leaves.

    ``dates``: ``year`` withholds all dates but the year of birth, and keeps of every time its distance from birth;
    ``shift`` moves each newborn's times by whole days, up to ``shift_days`` back or forth, the same for all
    children of a mother with ``shift_by: mother``, and gives them in UTC. ``keep`` leaves them.
    ``examiners``: their role alone, or a pseudonym each. ``mother``: a pseudonym by which her children are linked.
    ``round``: items and the step to which their numbers are rounded, ``band``: items and the width of the bands in
    which they stand, both in the item's own unit. ``gestation``: in days, or completed weeks alone. ``hours``: every
    time as a multiple of so many hours since birth, down to it.

    ``k``: by how many newborns each combination of quasi-identifiers is shared at least. ``l``: how many different
    answers to each item of ``sensitive`` are among those who share one at least, where any has an answer that is not
    expected. ``suppress``: which quasi-identifiers are taken out, one after the other, of newborns of whom that does
    not hold. ``rare``: what becomes of those of whom it does not hold then: ``leave-out`` takes them out of the
    extract, ``refuse`` refuses it as a whole, ``tell`` counts them only.
    """

    policy: Literal[1]
    id: str
    label: str
    source: str
    dates: Literal["year", "shift", "keep"]
    shift_days: int = Field(default=0, ge=0, le=3650)
    shift_by: Literal["mother", "newborn"] = "newborn"
    free_text: Literal["drop", "keep"] = "drop"
    place: Literal["drop", "keep"] = "drop"
    encounter: Literal["drop", "pseudonym"] = "drop"
    examiners: Literal["role", "pseudonym"] = "role"
    mother: Literal["drop", "pseudonym"] = "drop"
    birth_order: Literal["drop", "keep"] = "keep"
    round: dict[str, Decimal] = Field(default_factory=dict)
    band: dict[str, Decimal] = Field(default_factory=dict)
    gestation: Literal["days", "weeks"] = "days"
    hours: Decimal | None = Field(default=None, gt=0, le=168)
    quasi_identifiers: tuple[str, ...] = ("sex", "gestation_weeks")
    k: int = Field(default=5, ge=2)
    l: int = Field(default=1, ge=1)  # noqa: E741 (its name in the literature)
    sensitive: tuple[str, ...] = ()
    suppress: tuple[str, ...] = ()
    rare: Literal["leave-out", "refuse", "tell"] = "leave-out"

    @model_validator(mode="after")
    def _coherent(self) -> DeidentificationPolicy:
        if self.dates == "shift" and self.shift_days < 1:
            raise ValueError("dates: shift needs shift_days, at least 1")
        _known("quasi-identifier", self.quasi_identifiers, QUASI_IDENTIFIERS)
        _known("quasi-identifier that can be taken out", self.suppress, SUPPRESSIBLE)
        if idle := sorted(set(self.suppress) - set(self.quasi_identifiers)):
            raise ValueError(f"suppress: {', '.join(idle)} is no quasi-identifier of this policy")
        if (self.l > 1) != bool(self.sensitive):
            raise ValueError("l over 1 needs items that are sensitive, and these need an l over 1")
        if wrong := [item for steps in (self.round, self.band) for item, step in steps.items() if step <= 0]:
            raise ValueError(f"round, band: {', '.join(wrong)} needs a step above 0")
        if both := sorted(self.round.keys() & self.band.keys()):
            raise ValueError(f"{', '.join(both)} is rounded or banded, not both")
        return self


def check_items(policy: DeidentificationPolicy, catalogue: Catalogue) -> None:
    """Raises :class:`BadPolicy` where it names an item that the catalogue does not have, or not of that type."""
    for name in (*policy.round, *policy.band, *policy.sensitive):
        if name not in catalogue.items:
            raise BadPolicy(f"policy {policy.id}: there is no item {name}")
    for name in (*policy.round, *policy.band):
        if catalogue.items[name].type is not ItemType.QUANTITY:
            raise BadPolicy(f"policy {policy.id}: round and band are for numbers, and {name} is none")
    for name in policy.sensitive:
        if not catalogue.items[name].answers:
            raise BadPolicy(f"policy {policy.id}: what is sensitive has answers, and {name} has none")


def _known(what: str, names: Iterable[str], known: Iterable[str]) -> None:
    if unknown := sorted(set(names) - set(known)):
        raise ValueError(f"no {what} {', '.join(unknown)} is known; one of {', '.join(known)}")


def shipped_policies() -> tuple[str, ...]:
    """The names of the policies that come with the catalogue."""
    folder = mappings() / "deidentification"
    return tuple(
        sorted(entry.name.removesuffix(".yaml") for entry in folder.iterdir() if entry.name.endswith(".yaml"))
    )


def load_policy(name: str) -> DeidentificationPolicy:
    """A policy by the name of a shipped one, or by the path of a YAML file. Raises :class:`BadPolicy`."""
    shipped = shipped_policies()
    path: Any = mappings() / "deidentification" / f"{name}.yaml" if name in shipped else Path(name)
    if not path.is_file():
        raise BadPolicy(f"there is no policy {name}; name a file, or one of {', '.join(shipped)}")
    content, problems = read_yaml(path, name)
    if problems:
        raise BadPolicy("; ".join(str(problem) for problem in problems))
    try:
        return DeidentificationPolicy.model_validate(content)
    except ValidationError as error:
        lines = []
        for one in error.errors(include_input=False, include_url=False):
            place = ".".join(str(part) for part in one["loc"])
            lines.append(f"{place or 'the file'}: {one['msg'].removeprefix('Value error, ')}")
        raise BadPolicy(f"{name}: {'; '.join(lines)}") from None
