"""Layer schema: a JSON Schema and an XSD made from the R4 element table, run by kept libraries.

They are the second judge of structure: they are made from the same facts but share no code with the structure layer,
and speak only where that one was content, so that nothing is said twice. Both are made when first needed (a JSON
Schema for the resource types that are there, in a few milliseconds; one XSD of all types) and kept.
"""

from __future__ import annotations

from adapter.validate.schema.check import check_json, check_xml
from adapter.validate.schema.json_schema import json_schema
from adapter.validate.schema.xsd import xsd

__all__ = ["check_json", "check_xml", "json_schema", "xsd"]
