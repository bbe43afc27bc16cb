"""Units and conversions against UCUM, by the library ucumvert (its own grammar of UCUM, sizes from ucum-essence.xml)
over pint, and against published sizes.

ucumvert calculates with binary floats, so results are compared with a relative tolerance; the exact sizes stand
below as literals.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ucumvert import PintUcumRegistry

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Amount, Quantity

UNITS = load_catalogue().units
PAIRS = [(a.ucum, b.ucum) for a, b in permutations(UNITS.values(), 2) if a.dimension == b.dimension]
# UCUM table 4: m[Hg] = 133.3220 kPa exactly, which is ours; pint under ucumvert holds 133.322387 (NIST SP 811, B.8).
TOLERANCE = {"mm[Hg]": 4e-6}


@pytest.fixture(scope="module")
def registry() -> Any:
    return PintUcumRegistry()


def parsed(registry: Any, ucum: str) -> Any:
    """A unit by ucumvert. UCUM section 6 (curly braces): an annotation alone is the default unit 1; ucumvert does
    not take one that stands alone."""
    return registry.from_ucum("1" if ucum.startswith("{") and ucum.endswith("}") else ucum)


@pytest.mark.parametrize("ucum", list(UNITS))
def test_every_unit_is_ucum(ucum: str, registry: Any) -> None:
    assert parsed(registry, ucum) is not None


def test_what_is_no_ucum_is_refused(registry: Any) -> None:
    for wrong in ("mmHg", "lbs", "inch"):
        assert wrong not in UNITS
        with pytest.raises(Exception, match=r".+"):
            parsed(registry, wrong)


def test_units_of_one_dimension_are_of_one_dimension_there_too(registry: Any) -> None:
    for one, other in permutations(UNITS.values(), 2):
        same = parsed(registry, one.ucum).dimensionality == parsed(registry, other.ucum).dimensionality
        if one.dimension == other.dimension:
            assert same, (one.ucum, other.ucum)


@pytest.mark.parametrize(("from_ucum", "to_ucum"), PAIRS)
def test_conversions_agree(from_ucum: str, to_ucum: str, registry: Any) -> None:
    places = UNITS[to_ucum].places
    source, target = (parsed(registry, ucum).units for ucum in (from_ucum, to_ucum))
    for number in ("1", "36.75", "123.4", "9999"):
        ours = UNITS.convert(Quantity(value=Decimal(number), unit=from_ucum), to_ucum)
        theirs = registry.Quantity(float(number), source).to(target).magnitude
        half_a_place = 0.5000001 * 10**-places
        assert float(ours) == pytest.approx(
            theirs, rel=TOLERANCE.get(from_ucum, TOLERANCE.get(to_ucum, 2e-9)), abs=half_a_place
        )


# NIST Handbook 44, appendix C (general tables): 1 pound avoirdupois = 453.59237 g, 1 ounce = 28.349523125 g, both
# exact; 1 inch = 2.54 cm, exact. NIST SP 811, appendix B.8: t/degC = (t/degF - 32)/1.8, exact.
EXACT = [
    (Quantity(value=Decimal(1), unit="lb"), "g", "453.59237"),
    (Quantity(value=Decimal(100), unit="lb"), "g", "45359.237"),
    (Quantity(value=Decimal(16), unit="oz"), "g", "453.59237"),
    (Quantity(value=Decimal(1), unit="oz"), "g", "28.349523125"),
    (Quantity(value=Decimal(20), unit="in"), "cm", "50.8"),
    (Quantity(value=Decimal("19.25"), unit="in"), "cm", "48.895"),
    (Quantity(value=Decimal("97.7"), unit="degF"), "Cel", "36.5"),
    (Quantity(value=Decimal("99.5"), unit="degF"), "Cel", "37.5"),
    (Quantity(value=Decimal("100.4"), unit="degF"), "Cel", "38"),
    (Quantity(value=Decimal(32), unit="degF"), "Cel", "0"),
    # 7 lb 4 oz = 7 x 453.59237 g + 4 x 28.349523125 g (arithmetic)
    (Quantity(value=Decimal(7), unit="lb", plus=Amount(value=Decimal(4), unit="oz")), "g", "3288.5446825"),
]


@pytest.mark.parametrize(("captured", "ucum", "exact"), EXACT, ids=lambda v: str(v))
def test_published_sizes(captured: Quantity, ucum: str, exact: str) -> None:
    places = Decimal(1).scaleb(-UNITS[ucum].places)
    converted = UNITS.convert(captured, ucum)
    assert abs(converted - Decimal(exact)) <= places / 2


def test_the_table_holds_the_published_sizes() -> None:
    assert UNITS["[lb_av]"].numerator / UNITS["[lb_av]"].denominator == Decimal("453.59237")
    assert UNITS["[oz_av]"].numerator / UNITS["[oz_av]"].denominator == Decimal("28.349523125")
    assert UNITS["[in_i]"].numerator / UNITS["[in_i]"].denominator == Decimal("2.54")


@given(st.integers(0, 40), st.decimals(0, Decimal("15.9"), places=1))
def test_pounds_and_ounces_by_arithmetic(pounds: int, ounces: Decimal) -> None:
    captured = Quantity(value=Decimal(pounds), unit="lb", plus=Amount(value=ounces, unit="oz"))
    exact = pounds * Decimal("453.59237") + ounces * Decimal("28.349523125")  # NIST Handbook 44, appendix C
    assert abs(UNITS.convert(captured, "g") - exact) <= Decimal("0.005")


def test_the_validator_reads_every_unit_of_the_catalogue(catalogue: Catalogue) -> None:
    assert {item.unit for item in catalogue.items.values() if item.unit} <= set(UNITS)
