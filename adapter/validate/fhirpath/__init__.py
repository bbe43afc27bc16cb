"""FHIRPath as constraints use it, compiled to closures over the dicts of FHIR JSON.

FHIRPath N1 (hl7.org/fhirpath/N1) and the additions of FHIR R4 (fhirpath.html). The libraries for it cost several
times what the whole validation may cost and lack functions that R4's own constraints call, so the part that
constraints need is here; the tests hold it against two of them. What it does not know is refused when the
expression is compiled (:class:`FhirPathError`), never guessed.
"""

from __future__ import annotations

from functools import lru_cache

from adapter.validate.fhirpath.compile import Context, Expression, compile_ast
from adapter.validate.fhirpath.items import PathItem, children, item_of
from adapter.validate.fhirpath.parse import FhirPathError, parse

__all__ = ["Context", "Expression", "FhirPathError", "PathItem", "children", "compiled", "holds", "item_of"]


@lru_cache(maxsize=4096)
def compiled(expression: str) -> Expression:
    """The expression ready to run; raises FhirPathError when it cannot be read or calls what is not known."""
    return compile_ast(parse(expression))


def holds(expression: Expression, focus: PathItem, context: Context) -> bool:
    """Whether a constraint is kept at ``focus``: true, or anything but a boolean; an empty result is not.

    Raises FhirPathError when the content does not let it be evaluated (several values where one is needed).
    """
    found = expression(context, [focus])
    if len(found) == 1 and isinstance(found[0].value, bool):
        return found[0].value
    return bool(found)
