"""The catalogue: ``mappings/`` and a site's folder as frozen typed objects, and the linter that proves them."""

from adapter.catalogue.catalogue import Catalogue, Settings
from adapter.catalogue.coverage import Coverage, answer_shares, coverage, question_coverage
from adapter.catalogue.lint import lint
from adapter.catalogue.load import CatalogueError, load_catalogue
from adapter.catalogue.model import (
    Answer,
    Bound,
    Category,
    Code,
    Component,
    Condition,
    Flag,
    Item,
    ItemType,
    Meaning,
    Range,
    Region,
    Sides,
    Sign,
    SignAnswer,
    Span,
)
from adapter.catalogue.rules import Rule, When
from adapter.catalogue.tables import Bands, Estimate, GrowthReference, GrowthRow, Measure, Screening
from adapter.catalogue.units import UnitTable, UnknownUnit, WrongDimension
from adapter.catalogue.v2 import Authority, V2Settings

__all__ = [
    "Answer",
    "Authority",
    "Bands",
    "Bound",
    "Catalogue",
    "CatalogueError",
    "Category",
    "Code",
    "Component",
    "Condition",
    "Coverage",
    "Estimate",
    "Flag",
    "GrowthReference",
    "GrowthRow",
    "Item",
    "ItemType",
    "Meaning",
    "Measure",
    "Range",
    "Region",
    "Rule",
    "Screening",
    "Settings",
    "Sides",
    "Sign",
    "SignAnswer",
    "Span",
    "UnitTable",
    "UnknownUnit",
    "V2Settings",
    "When",
    "WrongDimension",
    "answer_shares",
    "coverage",
    "lint",
    "load_catalogue",
    "question_coverage",
]
