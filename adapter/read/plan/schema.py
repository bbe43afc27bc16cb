"""The JSON Schema of column plans, for editors that complete and check YAML while it is typed."""

from __future__ import annotations

from typing import Any

from adapter.catalogue import Catalogue
from adapter.read.plan.model import Plan


def plan_schema(catalogue: Catalogue) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a plan, with the items and reasons of this catalogue.

    It finds what a schema can: unknown fields and items, values of a wrong form, several sources for one field.
    :func:`adapter.read.plan.load_plan` finds that too, and all that depends on the item: its units, answers, sides.
    """
    schema = Plan.model_json_schema(by_alias=True)
    finding = schema["$defs"]["FindingPlan"]["properties"]
    finding["item"] = {"enum": sorted(catalogue.offered)}
    finding["when_missing"] = {"enum": [*sorted(catalogue.reasons), None]}
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "Column plan, version 1"
    return schema
