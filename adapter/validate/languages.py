"""Language tags (BCP 47) and MIME types (BCP 13), as far as their lists are closed and short.

R4 binds every language to the value set of all tags, and contentType to that of all MIME types; it lists neither. Of
a tag the two letters of ISO 639-1 are known here, with the six that the registry of BCP 47 keeps as deprecated: no
new ones are given where three letters exist (RFC 5646, section 2.2.1). Three letters, scripts and regions are not:
some 8,000, which change every year. Of a MIME type the first part is known (RFC 6838, section 4.2.7), the second not.
"""

from __future__ import annotations

import re

_TAG = re.compile(r"[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*")
_MIME = re.compile(r"([A-Za-z0-9!#$&^_.+-]{1,127})/[A-Za-z0-9!#$&^_.+*-]{1,127}(\s*;.*)?")

_TWO_LETTERS = """
aa ab ae af ak am an ar as av ay az ba be bg bi bm bn bo br bs ca ce ch co cr cs cu cv cy da de dv dz ee el en eo es
et eu fa ff fi fj fo fr fy ga gd gl gn gu gv ha he hi ho hr ht hu hy hz ia id ie ig ii ik io is it iu ja jv ka kg ki
kj kk kl km kn ko kr ks ku kv kw ky la lb lg li ln lo lt lu lv mg mh mi mk ml mn mr ms mt my na nb nd ne ng nl nn no
nr nv ny oc oj om or os pa pi pl ps pt qu rm rn ro ru rw sa sc sd se sg sh si sk sl sm sn so sq sr ss st su sv sw ta
te tg th ti tk tl tn to tr ts tt tw ty ug uk ur uz ve vi vo wa wo xh yi yo za zh zu bh in iw ji jw mo
"""
LANGUAGES = frozenset(_TWO_LETTERS.split())
_FIRST_PARTS = frozenset(
    ("application", "audio", "example", "font", "haptics", "image", "message", "model", "multipart", "text", "video")
)


def is_tag(code: str) -> bool:
    """Whether a code has the form of a language tag."""
    return _TAG.fullmatch(code) is not None


def is_known_language(tag: str) -> bool:
    """Whether there is such a language; true as well where this table cannot tell."""
    first = tag.partition("-")[0].lower()
    return len(first) != 2 or first in LANGUAGES


def is_mime(code: str) -> bool:
    """Whether a code has the form of a MIME type."""
    return _MIME.fullmatch(code) is not None


def is_known_mime(code: str) -> bool:
    """Whether the first part of a MIME type is a registered one; names after x- are anyone's."""
    first = code.partition("/")[0].lower()
    return first in _FIRST_PARTS or first.startswith("x-")
