"""The catalogue: ``mappings/`` and a site's folder as frozen typed objects, and the linter that proves them."""

from adapter.catalogue.catalogue import Catalogue, Settings
from adapter.catalogue.coverage import Coverage, answer_shares, coverage, question_coverage
from adapter.catalogue.lint import lint
from adapter.catalogue.load import CatalogueError, load_catalogue
from adapter.catalogue.model import (
    Answer,
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
    Span,
)
from adapter.catalogue.units import UnitTable, UnknownUnit, WrongDimension

__all__ = [
    "Answer",
    "Catalogue",
    "CatalogueError",
    "Category",
    "Code",
    "Component",
    "Condition",
    "Coverage",
    "Flag",
    "Item",
    "ItemType",
    "Meaning",
    "Range",
    "Region",
    "Settings",
    "Sides",
    "Sign",
    "Span",
    "UnitTable",
    "UnknownUnit",
    "WrongDimension",
    "answer_shares",
    "coverage",
    "lint",
    "load_catalogue",
    "question_coverage",
]
