"""What is kept of the words that a receiver adds to a refusal: those of the standard, and plain ones.

A receiver may repeat what it was sent: a name in capitals, in part or encoded, a note, a token that looks like
nothing. No list of what must not be repeated is ever whole; so it goes the other way round. Kept is a word that is a
resource type, an element, a data type or an issue code of FHIR R4, the status of an answer, or on the list below;
everything else becomes ``[…]``. The rest is shown only where a site asks for it (``server_words: all`` in the target
file).
"""

from __future__ import annotations

import re
from functools import cache

from adapter.fhir import definitions

GONE = "[…]"
_LONGEST = 500
_INDEX = re.compile(r"\[(?:\d{1,4}|x)\]")
_PUNCTUATION = re.compile(r"[\w\s.,:;()\[\]'\"/\-?!|=<>#$]*", re.ASCII)
_STATUS = re.compile(r"[1-5]\d\d")

_WORDS = """
a able about absent accept acceptable accepted access acknowledgement active add after against all allowed
already also always an and another answer any application are argument array as at attempt attribute
authorisation authorization base batch be because been before begin being belongs body both bound but by bytes
cannot cardinality change changed characters check checked child client close closed code coded codes coding
collection component conditional conflict constraint contain contained contains content could create created
criteria current data database date datetime deadlock decimal default definition deleted denied does done double
duplicate each element elements empty encoding end error errors exactly exceeded exceeds exception exist
existing exists expected expired expression extension fail failed fails failure false field fields first for
forbidden form format found from full future gateway get gone group had has have header holds host http id
identifier identifiers if in index insufficient integer internal into invalid invariant invariants is issue it
item its json key known large last least length less level like limit limits line link list literal load local
location locked long lost made malformed many match matches maximum may media message method minimum mismatch
missing mode more most multiple must named negative never new next no none nor not nothing null number object
occurred of off old on once one only operation optional or order other out outcome over overloaded own parse
parsed part pattern payload permission permitted place please point policy post preceding precondition present
process processed processing profile profiles prohibited property put quota range rate read received record
refused regex rehearsed reject rejected relative repeated request required resolve resolved resource resources
response result retry right rule rules same schema scope search security segment sequence server service set
shall should size slice slicing some started state status still storage store string structure submitted such
supported syntax system table temporarily than that the their them then there these they this throttled time
timeout to token too total transaction transient true try twice two type types unable unauthorised unauthorized
unavailable unexpected unique unit unknown unsupported until update updated uri url use used valid validate
validated validation value values version versions violated violates violation wait ward wards was were when where
which while will with within without write written wrong xml you your
"""
_PLAIN = frozenset(_WORDS.split())


@cache
def _vocabulary() -> frozenset[str]:
    names: set[str] = set()
    for one in definitions.type_names():
        names.add(one)
        names.update(definitions.definition(one).properties)
    issue_codes = definitions.code_system("http://hl7.org/fhir/issue-type") or frozenset()
    words = {part for name in names | issue_codes for part in re.split(r"[\W_]+", name)}
    return frozenset(word.lower() for word in words if not word.isdigit()) | _PLAIN


@cache
def _constraints() -> frozenset[str]:
    return frozenset(one.key for name in definitions.type_names() for one in definitions.constraints(name))


def kept(text: str) -> str:
    """The words of a receiver that may be kept and shown."""
    found: list[str] = []
    for piece in text[: 4 * _LONGEST].split():
        one = piece if _may_stay(piece) else GONE
        if one != GONE or found[-1:] != [GONE]:
            found.append(one)
    return " ".join(found)[:_LONGEST]


def _may_stay(piece: str) -> bool:
    if piece.strip(".,:;()[]'\"") in _constraints():
        return True
    plain = _INDEX.sub("", piece)
    if not _PUNCTUATION.fullmatch(plain):
        return False
    words = [word for word in re.split(r"[\W_]+", plain) if word]
    return all(word.lower() in _vocabulary() or _STATUS.fullmatch(word) for word in words)


@cache
def issue_codes() -> frozenset[str]:
    """The codes that an issue may have (R4 issue-type, a required binding)."""
    return definitions.code_system("http://hl7.org/fhir/issue-type") or frozenset()
