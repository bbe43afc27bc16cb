from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest
from fhir_strategies import DECIMAL, resources
from hypothesis import given
from hypothesis import strategies as st

from adapter.fhir.json import FhirJsonError, dumps, loads

SCALARS = st.none() | st.booleans() | st.integers(-(2**63), 2**63) | DECIMAL | st.text()
TREES = st.recursive(SCALARS, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=20)


def test_digits_survive() -> None:
    # R4, Data Types (datatypes.html#decimal): the precision of a decimal is significant
    text = b'{"value":[3.10,0.00,-7.250,100.0,12]}'
    assert loads(text) == {"value": [Decimal(d) for d in ("3.10", "0.00", "-7.250", "100.0", "12")]}
    assert dumps(loads(text)) == text


def test_an_exponent_is_written_out() -> None:
    assert dumps(loads(b"[1e2,1.50E-3,-2E+1]")) == b"[100,0.00150,-20]"


@given(TREES)
def test_what_is_written_is_read_back(tree: Any) -> None:
    assert loads(dumps(tree)) == tree
    assert loads(dumps(tree, pretty=True)) == tree
    # the standard library is the other judge of what JSON says
    assert json.loads(dumps(tree), parse_float=Decimal) == tree


@given(resources("Observation"))
def test_keys_stay_in_the_order_given(resource: dict[str, Any]) -> None:
    assert list(loads(dumps(resource))) == list(resource)


def test_a_byte_order_mark_is_let_pass() -> None:
    assert loads(b"\xef\xbb\xbf{}") == {}
    assert loads("\ufeff{}") == {}


@pytest.mark.parametrize(
    ("data", "message", "line"),
    [
        (b'{"a": 1,\n "b": }', "not JSON", 2),
        (b"[NaN]", "NaN is not JSON", None),
        (b"[-Infinity]", "-Infinity is not JSON", None),
        (b'{"a":\n"\xff"}', "not UTF-8", 2),
        ("[1]".encode("utf-16"), "not UTF-8", 1),
        (b'["\\ud83d"]', "surrogate", None),
        (b"", "not JSON", 1),
        (b"[" * 100_000, "nested too deeply", None),
        (b"[1e999999999]", "digits", None),
        (b"1" * 5000, "digits", None),
    ],
)
def test_what_is_not_fhir_json_is_refused(data: bytes, message: str, line: int | None) -> None:
    with pytest.raises(FhirJsonError, match=message) as caught:
        loads(data)
    assert caught.value.line == line


def test_a_property_written_twice_is_named() -> None:
    with pytest.raises(FhirJsonError, match="'status' is written twice") as caught:
        loads('{"resourceType": "Observation", "status": "final", "status": "amended"}')
    assert caught.value.key == "status"


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("Infinity"), Decimal("1E+1000"), object(), {1, 2}, 2**70])
def test_what_json_cannot_hold_is_refused(value: object) -> None:
    with pytest.raises(FhirJsonError):
        dumps({"value": value})
