"""Check digits of every published code, by python-stdnum: LOINC's is Luhn's (LOINC Users' Guide, appendix: modulus
10), SNOMED CT's is Verhoeff's (SNOMED CT Release File Specification, SCTID check digit).
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import luhn, verhoeff

from adapter.catalogue import Catalogue
from adapter.catalogue.checkdigits import loinc_is_valid, snomed_is_valid


def loinc(code: str) -> bool:
    if code.startswith("LA"):  # answers: their check digit follows another rule
        return re.fullmatch(r"LA\d{1,7}-\d", code) is not None
    body, hyphen, digit = code.partition("-")
    return bool(hyphen) and luhn.is_valid(body + digit)


JUDGES: dict[str, Callable[[str], bool]] = {"loinc": loinc, "snomed": verhoeff.is_valid}


@pytest.mark.parametrize("system", JUDGES)
def test_every_listed_code(system: str, catalogue: Catalogue) -> None:
    codes = [code for listed, code in catalogue.verified if listed == system]
    assert len(codes) > 100
    assert [code for code in codes if not JUDGES[system](code)] == []


@pytest.mark.parametrize("system", JUDGES)
def test_every_code_in_use(system: str, catalogue: Catalogue) -> None:
    codes = {code.code for _, code in catalogue.codes() if code.system == system}
    assert len(codes) > 50
    assert {code for code in codes if not JUDGES[system](code)} == set()


@given(st.from_regex(r"[1-9][0-9]{0,5}-[0-9]", fullmatch=True))
def test_our_loinc_rule_is_theirs(code: str) -> None:
    assert loinc_is_valid(code) == loinc(code)


@given(st.from_regex(r"[1-9][0-9]{3,12}(00|10)[0-9]", fullmatch=True))
def test_our_snomed_rule_is_theirs(code: str) -> None:
    assert snomed_is_valid(code) == verhoeff.is_valid(code)


def test_swapped_digits_are_found() -> None:
    # 8867-4 is the LOINC code of the heart rate, 364075005 SNOMED CT's observable entity (FHIR R4, Vital Signs).
    assert loinc_is_valid("8867-4")
    assert not loinc_is_valid("8876-4")
    assert snomed_is_valid("364075005")
    assert not snomed_is_valid("346075005")
