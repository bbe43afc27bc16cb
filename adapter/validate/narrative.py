"""What the narrative of a resource may hold: R4's htmlChecks (txt-1, txt-2).

FHIR R4, Narrative (narrative.html): the elements of HTML 4.0 chapters 7 to 11 (but section 4 of chapter 9)
and 15, links, images, and style attributes; no scripts, forms, frames, objects or event attributes.
"""

from __future__ import annotations

from typing import Any

from lxml import etree

from adapter.fhir.xml import XHTML, FhirXmlError, parse_div

_NAMES = """
div h1 h2 h3 h4 h5 h6 address span p br pre blockquote q sub sup em strong dfn code samp kbd var cite abbr acronym
ul ol li dl dt dd table caption colgroup col thead tfoot tbody tr th td tt i b big small strike s u hr font bdo
a img map area
"""
_ELEMENTS = frozenset(_NAMES.split())
_ATTRIBUTE_NAMES = """
abbr accesskey align alt axis bgcolor border cellhalign cellpadding cellspacing cellvalign char charoff charset cite
class clear color colspan compact coords dir face frame headers height href hreflang hspace id ismap lang longdesc
name noshade nowrap rel rev rowspan rules scope shape size span src start style summary tabindex title type usemap
valign value vspace width
"""
_ATTRIBUTES = frozenset(_ATTRIBUTE_NAMES.split())
#: of pre, as XHTML 1.0 has it (its strict DTD and schema); lxml's name for xml:space
_SPACE = "{http://www.w3.org/XML/1998/namespace}space"
_FORBIDDEN_SCHEMES = ("javascript:", "vbscript:")


def is_allowed_html(div: Any) -> bool:
    """Whether the narrative is well-formed and has only what R4 allows (no text at all is another rule's)."""
    if not isinstance(div, str):
        return True
    try:
        root = parse_div(div)
    except FhirXmlError:
        return False
    return all(_is_allowed(element) for element in root.iter(etree.Element))


def has_content(div: Any) -> bool:
    """Whether there is any text or image."""
    if not isinstance(div, str):
        return True
    try:
        root = parse_div(div)
    except FhirXmlError:
        return True
    return bool("".join(str(part) for part in root.itertext()).strip()) or root.find(f".//{{{XHTML}}}img") is not None


def shown(div: Any) -> set[str]:
    """What the images and links of a narrative lead to."""
    if not isinstance(div, str) or "#" not in div:
        return set()
    try:
        root = parse_div(div)
    except FhirXmlError:
        return set()
    return {str(element.get(name)) for element in root.iter() for name in ("src", "href") if element.get(name)}


def _is_allowed(element: etree._Element) -> bool:
    name = etree.QName(element)
    if name.namespace != XHTML or name.localname not in _ELEMENTS:
        return False
    return not any(
        (etree.QName(key).localname not in _ATTRIBUTES and key != _SPACE)
        or str(value).strip().lower().startswith(_FORBIDDEN_SCHEMES)
        for key, value in element.attrib.items()
    )
