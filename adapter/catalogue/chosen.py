"""Codes that a person at the site chose among the candidates of a terminology server: ``chosen_codes.csv``.

The file has the columns of the candidates: what was asked, what stands above the code, and the edition, server and
day that show it stay beside it. A row counts where its ``fit`` is filled in: how well the code fits its ``place``
(:data:`adapter.catalogue.code.Fit`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

from pydantic import Field, field_validator

from adapter.catalogue.code import MAP_ONLY, SITE, Fit
from adapter.catalogue.files import text_of
from adapter.catalogue.local_codes import coded_places
from adapter.catalogue.site_tables import Row, table_rows
from adapter.catalogue.verified import VerifiedCode
from adapter.problems import Layer, Problem, Severity

FILE = "chosen_codes.csv"
FITS: tuple[str, ...] = get_args(Fit)
COLUMNS = ("fit", "comment", "place", "label", "asked", "parents", *VerifiedCode.model_fields)
"""From ``system`` on those of ``codes.csv``."""


class ChosenCode(VerifiedCode):
    """A published code with the place (``item``, ``item.answer``, ``score.sign.answer``) that it was chosen for."""

    fit: Fit
    comment: str = Field(default="", pattern=r"^[^()\n]*$")
    place: str = Field(min_length=1)
    label: str = ""
    asked: str = ""
    parents: str = ""

    @field_validator("fit", mode="before")
    @classmethod
    def _one_of_them(cls, value: Any) -> Any:
        if value not in FITS:
            raise ValueError(f"'{value}' is none of {', '.join(FITS)}")
        return value

    def written(self, display: str) -> str:
        """As a code is written in the catalogue."""
        shown = f" |{display}|" if display else ""
        said = f" ({self.comment})" if self.comment else ""
        return f"{self.system} {self.code}{shown} {self.fit} by {SITE}{said}"


def chosen_rows(text: str) -> tuple[ChosenCode, ...]:
    """The rows of the file in which a person filled in the ``fit``. Raises ValueError with what is wrong where."""
    return tuple(row for row in table_rows(text, _reader) if row is not None)


def _reader(columns: Sequence[str]) -> Callable[[Row], ChosenCode | None]:
    missing = [name for name in COLUMNS if name not in columns]
    if missing:
        raise ValueError(f"lacks the column {missing[0]}; the columns are {','.join(COLUMNS)}")
    return lambda row: (
        ChosenCode.model_validate(
            {name: row[name] for name in COLUMNS} | {"global_patient_set": row["global_patient_set"] == "yes"}
        )
        if row["fit"]
        else None
    )


def read_chosen(folder: Path, problems: list[Problem]) -> tuple[ChosenCode, ...]:
    """What a site chose; nothing where it has no such file, or one that cannot be read, which is then a problem."""
    if not (folder / FILE).exists():
        return ()
    try:
        return chosen_rows(text_of(folder / FILE))
    except ValueError as error:
        fault = _problem(str(error), "rows of `terminology candidates`, the column fit filled in; UTF-8")
        problems.append(replace(fault, line=getattr(error, "line", None)))
    return ()


def with_chosen(
    raw: dict[str, Any], chosen: Sequence[ChosenCode], verified: dict[tuple[str, str], VerifiedCode]
) -> Iterator[Problem]:
    """Put the codes into the raw catalogue and among the ``verified`` ones, in place; what is wrong with them.

    A code that was verified before keeps the name it has there.
    """
    places = coded_places(raw)
    for one in chosen:
        entry, known = places.get(one.place), verified.get((one.system, one.code))
        if entry is None:
            yield _problem(f"'{one.place}' is not in the catalogue", "an item, item.answer, item.sign", one.place)
        elif known is not None and known.status in ("look-alike", "extension"):
            what = f"{one.system} {one.code} is known as a code that must not be sent ({known.status}): {known.seen}"
            yield _problem(what, "another code, or none", one.place)
        elif any(_is_code(text, one) for text in (*entry.get("codes", []), *entry.get("maps", []))):
            yield _problem(f"{one.place} has {one.system} {one.code} already", "each code once", one.place)
        else:
            if known is None or known.status != "verified":
                known = verified[one.system, one.code] = one
            _put(entry, one, known.display)


def _put(entry: dict[str, Any], one: ChosenCode, display: str) -> None:
    key = "maps" if one.fit in MAP_ONLY else "codes"
    entry[key] = [*entry.get(key, []), one.written(display)]
    if key == "codes":
        entry.pop("no_standard_code", None)


def _is_code(text: str, one: ChosenCode) -> bool:
    return text.split()[:2] == [one.system, one.code]


def _problem(what: str, remedy: str, where: str = "") -> Problem:
    return Problem(Severity.ERROR, Layer.CATALOGUE, "chosen-codes", what, remedy, where=where, file=FILE)
