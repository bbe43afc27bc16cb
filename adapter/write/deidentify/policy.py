"""A policy of de-identification: what is taken out, replaced, moved or kept. YAML, shipped ones by name."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from adapter.catalogue.code import Frozen
from adapter.catalogue.files import mappings, read_yaml
from adapter.problems import AdapterError, ExitCode
from adapter.write.deidentify.quasi import QUASI_IDENTIFIERS


class BadPolicy(AdapterError, ValueError):
    """A policy that cannot be used; the message says where it is wrong."""

    exit_code = ExitCode.USAGE


class DeidentificationPolicy(Frozen):
    """What is done to an exam before it leaves.

    ``dates``: ``year`` withholds all dates but the year of birth, and keeps of every time its distance from birth;
    ``shift`` moves each newborn's times by whole days, up to ``shift_days`` back or forth, the same for all
    children of a mother with ``shift_by: mother``, and gives them in UTC. ``keep`` leaves them.
    ``examiners``: their role alone, or a pseudonym each. ``mother``: a pseudonym by which her children are linked.
    ``rare``: what becomes of newborns whose combination of quasi-identifiers fewer than ``k`` share: ``leave-out``
    takes them out of the extract, ``refuse`` refuses it as a whole, ``tell`` counts them only.
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
    quasi_identifiers: tuple[str, ...] = ("sex", "gestation_weeks")
    k: int = Field(default=5, ge=2)
    rare: Literal["leave-out", "refuse", "tell"] = "leave-out"

    @model_validator(mode="after")
    def _coherent(self) -> DeidentificationPolicy:
        if self.dates == "shift" and self.shift_days < 1:
            raise ValueError("dates: shift needs shift_days, at least 1")
        unknown = sorted(set(self.quasi_identifiers) - QUASI_IDENTIFIERS.keys())
        if unknown:
            known = ", ".join(QUASI_IDENTIFIERS)
            raise ValueError(f"no quasi-identifier {', '.join(unknown)} is known; one of {known}")
        return self


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
