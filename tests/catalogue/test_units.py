"""Conversion of units: digits kept where nothing is converted, exact and rounded once where something is."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import UnknownUnit, WrongDimension, load_catalogue
from adapter.catalogue.units import rounded
from adapter.exam import Amount, Quantity

UNITS = load_catalogue().units
PAIRS = [(a, b) for a, b in permutations(UNITS.values(), 2) if a.dimension == b.dimension]
NUMBERS = st.decimals(Decimal(0), Decimal(99999), places=3) | st.decimals(Decimal(0), Decimal(999), places=1)


@given(NUMBERS, st.sampled_from(list(UNITS)))
def test_the_same_unit_keeps_the_digits(number: Decimal, ucum: str) -> None:
    assert str(UNITS.convert(Quantity(value=number, unit=ucum), ucum)) == str(number)


@given(NUMBERS, st.sampled_from(PAIRS))
def test_there_and_back_within_the_rounding(number: Decimal, pair: tuple[object, object]) -> None:
    one, other = pair
    there = UNITS.convert(Quantity(value=number, unit=one.ucum), other.ucum)
    back = UNITS.convert(Quantity(value=there, unit=other.ucum), one.ucum)
    size = (
        Fraction(other.numerator)
        / Fraction(other.denominator)
        / (Fraction(one.numerator) / Fraction(one.denominator))
    )
    allowed = size * Fraction(1, 2 * 10**other.places) + Fraction(1, 2 * 10**one.places)
    assert abs(Fraction(back) - Fraction(number)) <= allowed


@given(NUMBERS, NUMBERS, st.sampled_from(PAIRS))
def test_order_is_kept(first: Decimal, second: Decimal, pair: tuple[object, object]) -> None:
    one, other = pair
    low, high = sorted((first, second))
    converted = [UNITS.convert(Quantity(value=n, unit=one.ucum), other.ucum) for n in (low, high)]
    assert converted == sorted(converted)


@given(st.fractions(-10_000, 10_000), st.integers(0, 6))
def test_rounding_is_half_up_and_once(exact: Fraction, places: int) -> None:
    value = rounded(exact, places)
    assert abs(Fraction(value) - exact) <= Fraction(1, 2 * 10**places)
    # decimal's own ROUND_HALF_UP over far more digits than any of these fractions needs to be told apart
    near = (Decimal(exact.numerator) / Decimal(exact.denominator)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    if (exact * 10**places * 2).denominator != 1:
        assert value == near


@pytest.mark.parametrize(
    ("exact", "places", "shown"), [("2.5", 0, "3"), ("-2.5", 0, "-3"), ("0.05", 1, "0.1"), ("100", 2, "100")]
)
def test_half_goes_away_from_zero(exact: str, places: int, shown: str) -> None:
    assert str(rounded(Fraction(exact), places)) == shown


@given(st.sampled_from([(s, u.ucum) for u in UNITS.values() for s in (u.ucum, *u.spellings)]))
def test_every_spelling_is_found(spelled: tuple[str, str]) -> None:
    spelling, ucum = spelled
    found = UNITS.find(spelling)
    assert found is not None
    assert found.ucum == ucum


def test_no_spelling_means_two_units() -> None:
    spellings = [s for u in UNITS.values() for s in {u.ucum, *u.spellings}]
    assert len(spellings) == len(set(spellings))


@pytest.mark.parametrize("spelling", ["", "furlong", "stone", "lb oz", "°"])
def test_unknown_units(spelling: str) -> None:
    assert UNITS.find(spelling) is None
    if spelling:
        with pytest.raises(UnknownUnit):
            UNITS.convert(Quantity(value=Decimal(1), unit=spelling), "g")


@pytest.mark.parametrize(("unit", "to"), [("cm", "g"), ("mg/dL", "umol/L"), ("degF", "mmHg"), ("mg/dL", "mmol/L")])
def test_dimensions_are_never_mixed(unit: str, to: str) -> None:
    # mg/dL to mmol/L needs the molar mass of what was measured; UCUM gives none
    target = UNITS.find(to)
    assert target is not None
    with pytest.raises(WrongDimension):
        UNITS.convert(Quantity(value=Decimal(1), unit=unit), target.ucum)
    with pytest.raises((WrongDimension, UnknownUnit)):
        UNITS.convert(Quantity(value=Decimal(1), unit="lb", plus=Amount(value=Decimal(1), unit="in")), "g")


def test_counts_and_z_scores_have_the_units_that_loinc_shows_for_them() -> None:
    """LOINC table, column EXAMPLE_UCUM_UNITS: {#} and {Zscore}; what was captured as {count} is still read."""
    catalogue = load_catalogue()
    assert catalogue.items["wet_nappies_in_24h"].unit == "{#}"
    assert catalogue.items["birth_weight_z"].unit == "{Zscore}"
    assert UNITS.convert(Quantity(value=Decimal(6), unit="{count}"), "{#}") == 6
    assert "{count}" not in {unit.ucum for unit in UNITS.values()}


# One rule: exactly by the published factor, then rounded once, half up, to the places of the unit that it becomes; in
# its own unit every digit stays. Factors: NIST Handbook 44, appendix C (1 lb = 453.592 37 g, 16 oz to the lb).
@pytest.mark.parametrize(
    ("quantity", "ucum", "converted"),
    [
        (
            Quantity(value=Decimal(7), unit="lb", plus=Amount(value=Decimal(4), unit="oz")),
            "g",
            "3288.54",
        ),  # 3288.5446..
        (Quantity(value=Decimal("3.3105"), unit="kg"), "g", "3310.5"),
        (Quantity(value=Decimal("3310.1254"), unit="g"), "g", "3310.1254"),
        (Quantity(value=Decimal("97.6"), unit="degF"), "Cel", "36.44"),  # 36.4444..
        (Quantity(value=Decimal("20.25"), unit="in"), "cm", "51.44"),  # 51.435
    ],
)
def test_the_one_rule_of_conversion(quantity: Quantity, ucum: str, converted: str) -> None:
    assert UNITS.convert(quantity, ucum) == Decimal(converted)
