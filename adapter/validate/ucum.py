"""A reading of UCUM unit codes: the grammar, and whether their units are any of UCUM's.

The Unified Code for Units of Measure (https://ucum.org/ucum), case sensitive form: terms of components
joined by ``.`` and ``/``, prefixes, integer exponents, ``{annotations}``. The atoms are those of the tables of
version 2.2 (base units and units, ``ucum-essence.xml``).
"""

from __future__ import annotations

import re
from enum import StrEnum

_PREFIX_NAMES = "Y Z E P T G M k h da d c m u n p f a z y Ki Mi Gi Ti"
_METRIC_NAMES = """
m s g rad K C cd mol sr Hz N Pa J W A V F Ohm S Wb Cel T H lm lx Bq Gy Sv l L ar t bar u eV pc [c] [h] [k]
[eps_0] [mu_0] [e] [m_e] [m_p] [G] [g] [ly] gf Ky Gal dyn erg P Bi St Mx G Oe Gb sb Lmb ph Ci R RAD REM cal_[15]
cal_[20] cal_m cal_IT cal_th cal tex m[H2O] m[Hg] eq osm g% kat U [iU] [IU] Np B B[SPL] B[V] B[mV] B[uV]
B[10.nV] B[W] B[kW] st mho bit By Bd
"""
_PLAIN_NAMES = """
10* 10^ [pi] % [ppth] [ppm] [ppb] [pptr] gon deg ' '' min h d a_t a_j a_g a wk mo_s mo_j mo_g mo AU atm [lbf_av]
[in_i] [ft_i] [yd_i] [mi_i] [fth_i] [nmi_i] [kn_i] [sin_i] [sft_i] [syd_i] [cin_i] [cft_i] [cyd_i] [bf_i] [cr_i]
[mil_i] [cml_i] [hd_i] [ft_us] [yd_us] [in_us] [rd_us] [ch_us] [lk_us] [rch_us] [rlk_us] [fth_us] [fur_us]
[mi_us] [acr_us] [srd_us] [smi_us] [sct] [twp] [mil_us] [in_br] [ft_br] [rd_br] [ch_br] [lk_br] [fth_br] [pc_br]
[yd_br] [mi_br] [nmi_br] [kn_br] [acr_br] [gal_us] [bbl_us] [qt_us] [pt_us] [gil_us] [foz_us] [fdr_us] [min_us]
[crd_us] [bu_us] [gal_wi] [pk_us] [dqt_us] [dpt_us] [tbs_us] [tsp_us] [cup_us] [foz_m] [cup_m] [tsp_m] [tbs_m]
[gal_br] [pk_br] [bu_br] [qt_br] [pt_br] [gil_br] [foz_br] [fdr_br] [min_br] [gr] [lb_av] [oz_av] [dr_av]
[scwt_av] [lcwt_av] [ston_av] [lton_av] [stone_av] [pwt_tr] [oz_tr] [lb_tr] [sc_ap] [dr_ap] [oz_ap] [lb_ap]
[oz_m] [lne] [pnt] [pca] [pnt_pr] [pca_pr] [pied] [pouce] [ligne] [didot] [cicero] [degF] [degR] [degRe] [Cal]
[Btu_39] [Btu_59] [Btu_60] [Btu_m] [Btu_IT] [Btu_th] [Btu] [HP] [den] [in_i'H2O] [in_i'Hg] [PRU] [wood'U] [diop]
[p'diop] %[slope] [mesh_i] [Ch] [drp] [hnsf'U] [MET] [hp'_X] [hp'_C] [hp'_M] [hp'_Q] [hp_X] [hp_C] [hp_M] [hp_Q]
[kp_X] [kp_C] [kp_M] [kp_Q] [pH] [S] [HPF] [LPF] [arb'U] [USP'U] [GPL'U] [MPL'U] [APL'U] [beth'U] [anti'Xa'U]
[todd'U] [dye'U] [smgy'U] [bdsk'U] [ka'U] [knk'U] [mclg'U] [tb'U] [CCID_50] [TCID_50] [EID_50] [PFU] [FFU] [CFU]
[IR] [BAU] [AU] [Amb'a'1'U] [PNU] [Lf] [D'ag'U] [FEU] [ELU] [EU] Ao b att [psi] circ sph [car_m] [car_Au]
[smoot] [m/s2/Hz^(1/2)] [NTU] [FNU] bit_s
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


class ParsedUnit(StrEnum):
    """What can be said of a unit code."""

    VALID = "valid"
    UNKNOWN = "unknown"  # well-formed, with a unit that UCUM does not have
    INVALID = "invalid"


def read_unit(code: str) -> ParsedUnit:
    """Judge a UCUM code (case sensitive)."""
    if code in NOT_UCUM or not code or len(code) > _LONGEST or not code.isascii():
        return ParsedUnit.INVALID
    return _Reader(code).reading()


class _Reader:
    """A recursive descent over the tokens of one code."""

    def __init__(self, code: str) -> None:
        self.tokens = [token for token in _TOKEN.findall(code) if token]
        self.complete = "".join(self.tokens) == code
        self.place = 0
        self.all_known = True

    def reading(self) -> ParsedUnit:
        if not self.complete or not self._main_term() or self.place != len(self.tokens):
            return ParsedUnit.INVALID
        return ParsedUnit.VALID if self.all_known else ParsedUnit.UNKNOWN

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
