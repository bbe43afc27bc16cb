"""What is looked for and from where on it is said: ``mappings/quality/checks.yaml``, or a file of the site's own."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from adapter.catalogue import Catalogue
from adapter.catalogue.code import Frozen
from adapter.catalogue.files import mappings
from adapter.catalogue.strict_yaml import read_yaml
from adapter.problems import AdapterError, ExitCode


class BadChecks(AdapterError, ValueError):
    """A file of checks that cannot be used; the message says where it is wrong."""

    exit_code = ExitCode.USAGE


class Digits(Frozen):
    """Terminal digits: of each item the place of the digit, in its own unit; not judged under ``fewest`` numbers,
    told from a score of ``above`` on."""

    source: str
    fewest: int = Field(ge=10)
    above: Decimal = Field(gt=0, le=100)
    items: dict[str, Decimal]


class Units(Frozen):
    """By what a number may have been multiplied by mistake, in words."""

    source: str
    factors: dict[str, Decimal]


class Change(Frozen):
    """The most that is plausible between two exams at most ``hours`` apart: ``percent`` of the earlier number, or
    ``by`` so much in the item's own unit."""

    hours: Decimal = Field(gt=0)
    percent: Decimal | None = Field(default=None, gt=0)
    by: Decimal | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _one_of_both(self) -> Change:
        if (self.percent is None) == (self.by is None):
            raise ValueError("either percent or by")
        return self

    def allows(self, earlier: Decimal, later: Decimal) -> bool:
        """Whether a number may become another."""
        most = self.by if self.by is not None else abs(earlier) * (self.percent or 0) / 100
        return abs(later - earlier) <= most


class Changes(Frozen):
    """Changes between exams, by item."""

    source: str
    items: dict[str, Change]


class Duplicates(Frozen):
    """Hours within which a second exam of a kind is taken for the same one."""

    source: str
    hours: Decimal = Field(gt=0)


class Timing(Frozen):
    """Hours before and after the start of its exam outside which a finding is told.

    What the catalogue says may precede an exam is not.
    """

    source: str
    before: Decimal = Field(gt=0)
    after: Decimal = Field(gt=0)


class Drift(Frozen):
    """Numbers of a month beside those of the others: by how much of the item's own unit they must lie apart to be
    told, and by how many standard ``errors``; not judged under ``fewest`` numbers."""

    source: str
    fewest: int = Field(ge=2)
    errors: Decimal = Field(gt=0)
    items: dict[str, Annotated[Decimal, Field(gt=0)]]


class Comparison(Frozen):
    """Shares of two extracts: by how many percentage ``points`` and standard ``errors`` they must lie apart."""

    source: str
    points: Decimal = Field(gt=0)
    errors: Decimal = Field(gt=0)


class QualityChecks(Frozen):
    """All of them; ``least`` is the smallest count that is shown, ``examiners`` the fewest people of a role.

    Without ``drift`` or ``comparison`` these are not looked for.
    """

    version: Literal[1]
    least: int = Field(ge=2)
    examiners: int = Field(ge=2)
    digits: Digits
    units: Units
    changes: Changes
    duplicates: Duplicates
    timing: Timing
    drift: Drift | None = None
    comparison: Comparison | None = None


def load_checks(path: Path | None, catalogue: Catalogue) -> QualityChecks:
    """The shipped checks, or those in a file. Raises :class:`BadChecks`."""
    file: Any = path or mappings() / "quality" / "checks.yaml"
    name = str(path) if path else "quality/checks.yaml"
    if not file.is_file():
        raise BadChecks(f"there is no file {name}")
    content, problems = read_yaml(file, name)
    if problems:
        raise BadChecks("; ".join(str(problem) for problem in problems))
    try:
        found = QualityChecks.model_validate(content)
    except ValidationError as error:
        said = (
            f"{'.'.join(map(str, one['loc'])) or 'the file'}: {one['msg'].removeprefix('Value error, ')}"
            for one in error.errors(include_input=False, include_url=False)
        )
        raise BadChecks(f"{name}: {'; '.join(said)}") from None
    drifting = found.drift.items if found.drift else {}
    unknown = sorted({*found.digits.items, *found.changes.items, *drifting} - catalogue.items.keys())
    if unknown:
        raise BadChecks(f"{name}: there is no item {', '.join(unknown)}")
    return found
