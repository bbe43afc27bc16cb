"""Characters that a reader could not see or that would change what else he sees are written out, never dropped."""

from __future__ import annotations

import re

# Explicit directional formatting (Unicode Standard Annex #9, section 2) reorders the text around it.
_DIRECTIONAL = "\u202a-\u202e\u2066-\u2069"
_UNSEEN = re.compile(
    f"[{_DIRECTIONAL}\ue000-\uf8ff\U000f0000-\U0010ffff\x00-\x08\x0b-\x1f\x7f-\x9f\ufeff\ufff9-\ufffc\ufffe\uffff"
    "\ud800-\udfff]"
)


def visible(text: str) -> str:
    """The text with controls, private and directional characters written as ``[U+202E]``."""
    return _UNSEEN.sub(lambda found: written_out(found[0]), text)


def written_out(character: str) -> str:
    """One character by its code point."""
    return f"[U+{ord(character):04X}]"
