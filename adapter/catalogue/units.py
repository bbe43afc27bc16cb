"""Units: which spellings people write, and exact conversion between units of one dimension.

Arithmetic is rational (``fractions.Fraction``) and rounded once, half up, to the target unit's places; a value
already in the wanted unit keeps its digits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from decimal import ROUND_HALF_UP, Context, Decimal
from fractions import Fraction

from adapter.catalogue.vocabulary import Unit
from adapter.exam.quantity import Quantity
from adapter.problems import AdapterError


class UnknownUnit(AdapterError, ValueError):
    """The unit is not in the unit table."""


class WrongDimension(AdapterError, ValueError):
    """The unit measures something else than what is asked for."""


class UnitTable(Mapping[str, Unit]):
    """All known units by UCUM code."""

    def __init__(self, units: Iterable[Unit]) -> None:
        self._units = {unit.ucum: unit for unit in units}
        self._exact = {s: u for u in self._units.values() for s in (u.ucum, *u.spellings)}
        self._codes = {spelling: unit.ucum for spelling, unit in self._exact.items()}
        folded: dict[str, set[str]] = {}
        for spelling, unit in self._exact.items():
            folded.setdefault(spelling.casefold(), set()).add(unit.ucum)
        self._folded = {s: next(iter(ucums)) for s, ucums in folded.items() if len(ucums) == 1}

    def __getitem__(self, ucum: str) -> Unit:
        return self._units[ucum]

    def __iter__(self) -> Iterator[str]:
        return iter(self._units)

    def __len__(self) -> int:
        return len(self._units)

    def find(self, spelling: str) -> Unit | None:
        """The unit written so: by exact spelling, else by spelling without regard to case."""
        unit = self._exact.get(spelling)
        if unit is None and (ucum := self._folded.get(spelling.strip().casefold())):
            unit = self._units[ucum]
        return unit

    def shown(self, unit: str) -> str:
        """A unit as people read it, with the space before it: `` °C`` for ``Cel``, nothing for a count.

        What is only an annotation in UCUM (``{count}``) is no word of people's, however it was written.
        """
        known = self._units.get(unit) or (self.find(unit) if unit.startswith("{") else None)
        symbol = unit if known is None or known.symbol is None else known.symbol
        return f" {symbol}" if symbol else ""

    def of_dimension(self, dimension: str) -> list[Unit]:
        """The units that measure the dimension."""
        return [unit for unit in self._units.values() if unit.dimension == dimension]

    def convert(self, quantity: Quantity, to_ucum: str) -> Decimal:
        """The captured quantity in another unit.

        Raises :class:`UnknownUnit` or :class:`WrongDimension`.
        """
        if quantity.plus is None and self._codes.get(quantity.unit) == to_ucum:
            return quantity.value
        target = self._units[to_ucum]
        unit = self._known(quantity.unit, target)
        if quantity.plus is None and unit.ucum == to_ucum:
            return quantity.value
        base = _base(quantity.value, unit)
        if quantity.plus is not None:
            base += _base(quantity.plus.value, self._known(quantity.plus.unit, target))
        exact = base * Fraction(target.denominator) / Fraction(target.numerator) - Fraction(target.offset)
        return rounded(exact, target.places)

    def between_mass_and_substance(self, quantity: Quantity, to_ucum: str, molar_mass: Decimal) -> Decimal:
        """A mass concentration from a substance concentration, or back, by the molar mass in g/mol.

        The bases are mg/dL and mmol/L: ``mg/dL = mmol/L x g/mol / 10``.
        """
        target, unit = self._units[to_ucum], self.find(quantity.unit)
        if unit is None or {unit.dimension, target.dimension} != {"mass-concentration", "substance-concentration"}:
            raise WrongDimension(f"{quantity.unit} and {to_ucum} are not a mass and a substance concentration")
        factor = Fraction(molar_mass) / 10
        base = _base(quantity.value, unit)
        base = base * factor if unit.dimension == "substance-concentration" else base / factor
        exact = base * Fraction(target.denominator) / Fraction(target.numerator) - Fraction(target.offset)
        return rounded(exact, target.places)

    def _known(self, spelling: str, target: Unit) -> Unit:
        unit = self.find(spelling)
        if unit is None:
            raise UnknownUnit(spelling)
        if unit.dimension != target.dimension:
            raise WrongDimension(f"{unit.ucum} measures {unit.dimension}, not {target.dimension}")
        return unit


def _base(value: Decimal, unit: Unit) -> Fraction:
    return (Fraction(value) + Fraction(unit.offset)) * Fraction(unit.numerator) / Fraction(unit.denominator)


def rounded(exact: Fraction, places: int) -> Decimal:
    """The fraction as a decimal, rounded half up (away from zero) once, without needless trailing zeros."""
    scaled = exact * 10**places
    whole = (abs(scaled) + Fraction(1, 2)) // 1
    value = Decimal(int(whole if scaled >= 0 else -whole)).scaleb(-places, Context(prec=40))
    short = value.normalize()
    return short.quantize(Decimal(1), ROUND_HALF_UP) if short.as_tuple().exponent > 0 else short  # type: ignore[operator]
