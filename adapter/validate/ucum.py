"""A light reading of UCUM unit codes: the grammar, and the unit atoms that clinical data uses.

The Unified Code for Units of Measure (https://ucum.org/ucum), case sensitive form: terms of components
joined by ``.`` and ``/``, prefixes, integer exponents, ``{annotations}``. The grammar is checked in full; the
list of atoms is not the whole of UCUM, so an unknown atom is *unknown*, not wrong.
"""

from __future__ import annotations

import re
from enum import StrEnum

_PREFIX_NAMES = "Y Z E P T G M k h da d c m u n p f a z y Ki Mi Gi Ti"
_METRIC_NAMES = """
m s g rad K C cd mol sr Hz N Pa J W A V F Ohm S Wb Cel T H lm lx Bq Gy Sv l L t u eV pc bar ar cal kat U
eq osm [iU] [IU] m[H2O] m[Hg] B Np bit By Bd st R REM RAD G g% dyn erg P Ci
"""
_PLAIN_NAMES = """
10* 10^ [pi] % [ppth] [ppm] [ppb] [pptr] deg ' '' gon min h d a a_t a_j a_g mo mo_s mo_j mo_g wk
[in_i] [ft_i] [yd_i] [mi_i] [sin_i] [sft_i] [cin_i] [lb_av] [oz_av] [gr] [dr_av] [lb_tr] [lb_ap] [oz_ap]
[degF] [degRe] [pH] [drp] [foz_us] [tsp_us] [tbs_us] [cup_us] [pt_us] [qt_us] [gal_us] [Cal] [psi]
[in_i'H2O] [in_i'Hg] [diop] [p'diop] [Ch] [hp_X] [CFU] [HPF] [LPF] [arb'U] [USP'U] [anti'Xa'U] [EID_50]
[TCID_50] [bdsk'U] [kapU] [MET] [PRU] [wood'U] [dye'U] [smgy'U] [todd'U] [mclg'U] [beth'U] [AU]
atm att AU c [c] [h] [k] [eps_0] [mu_0] [e] [m_e] [m_p] [G] [g] [ly]
"""
_PREFIXES = tuple(_PREFIX_NAMES.split())
_METRIC = frozenset(_METRIC_NAMES.split())
_PLAIN = frozenset(_PLAIN_NAMES.split())

#: strings often met as units that are not UCUM, with the code that was probably meant
NOT_UCUM = {
    "bpm": "/min", "BPM": "/min", "beats/min": "/min", "breaths/min": "/min", "mmHg": "mm[Hg]",
    "mm Hg": "mm[Hg]", "cmH2O": "cm[H2O]", "lb": "[lb_av]", "lbs": "[lb_av]", "oz": "[oz_av]", "in": "[in_i]",
    "inch": "[in_i]", "inches": "[in_i]", "ft": "[ft_i]", "degC": "Cel", "°C": "Cel", "celsius": "Cel",
    "Celsius": "Cel", "degF": "[degF]", "°F": "[degF]", "gm": "g", "gms": "g", "grams": "g", "gram": "g",
    "kgs": "kg", "cms": "cm", "sec": "s", "secs": "s", "seconds": "s", "mins": "min", "minutes": "min",
    "hr": "h", "hrs": "h", "hours": "h", "day": "d", "days": "d", "week": "wk", "weeks": "wk", "wks": "wk",
    "months": "mo", "yr": "a", "years": "a", "mcg": "ug", "µg": "ug", "cc": "mL", "percent": "%",
    "IU": "[iU]", "score": "{score}", "points": "{score}", "mEq": "meq",
}  # fmt: skip

_TOKEN = re.compile(r"\{[\x20-\x7a\x7c\x7e]*\}|[().]|/|[^\s(){}./\[\]]*(?:\[[^\s\[\]]+\][^\s(){}./\[\]]*)*")
_LONGEST = 400  # no unit is, and a reader of parentheses must end
_NUMBER = re.compile(r"[1-9][0-9]*")
_SYMBOL = re.compile(r"(10[*^]|.*?[^0-9+-])([+-]?[0-9]+)?")


class Reading(StrEnum):
    """What a light reading can say of a unit code."""

    VALID = "valid"
    UNKNOWN = "unknown"  # well-formed, with a unit that the list does not hold
    INVALID = "invalid"


def read_unit(code: str) -> Reading:
    """Judge a UCUM code (case sensitive)."""
    if code in NOT_UCUM or not code or len(code) > _LONGEST or not code.isascii():
        return Reading.INVALID
    return _Reader(code).reading()


class _Reader:
    """A recursive descent over the tokens of one code."""

    def __init__(self, code: str) -> None:
        self.tokens = [token for token in _TOKEN.findall(code) if token]
        self.complete = "".join(self.tokens) == code
        self.place = 0
        self.all_known = True

    def reading(self) -> Reading:
        if not self.complete or not self._main_term() or self.place != len(self.tokens):
            return Reading.INVALID
        return Reading.VALID if self.all_known else Reading.UNKNOWN

    def _next(self) -> str:
        return self.tokens[self.place] if self.place < len(self.tokens) else ""

    def _take(self, *wanted: str) -> bool:
        if self._next() in wanted:
            self.place += 1
            return True
        return False

    def _main_term(self) -> bool:
        self._take("/")
        return self._term()

    def _term(self) -> bool:
        if not self._component():
            return False
        while self._take(".", "/"):
            if not self._component():
                return False
        return True

    def _component(self) -> bool:
        part = self._next()
        if part == "(":
            self.place += 1
            return self._main_term() and self._take(")") and self._annotation()
        if part.startswith("{"):
            self.place += 1
            return True
        if part in ("", ")", ".", "/"):
            return False
        self.place += 1
        if not _NUMBER.fullmatch(part) and not self._symbol(part):
            return False
        return self._annotation()

    def _annotation(self) -> bool:
        """Take an annotation if there is one; the published value set has them after parentheses too."""
        if self._next().startswith("{"):
            self.place += 1
        return True

    def _symbol(self, symbol: str) -> bool:
        match = _SYMBOL.fullmatch(symbol)
        if match is None:
            return False
        if not _is_known(match[1]):
            self.all_known = False
        return True


def _is_known(symbol: str) -> bool:
    if symbol in _METRIC or symbol in _PLAIN:
        return True
    return any(symbol.startswith(prefix) and symbol[len(prefix) :] in _METRIC for prefix in _PREFIXES)
