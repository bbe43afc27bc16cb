"""The catalogue: ``mappings/`` and a site's folder as frozen typed objects, and the linter that proves them."""

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.coverage import Coded, Coverage, answer_shares, coded, coverage, question_coverage
from adapter.catalogue.difference import Change, difference, labelled
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
from adapter.catalogue.settings import Emit, Organisation, Policy, Settings
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
    "Change",
    "Code",
    "Coded",
    "Component",
    "Condition",
    "Coverage",
    "Emit",
    "Estimate",
    "Flag",
    "GrowthReference",
    "GrowthRow",
    "Item",
    "ItemType",
    "Meaning",
    "Measure",
    "Organisation",
    "Policy",
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
    "coded",
    "coverage",
    "difference",
    "labelled",
    "lint",
    "load_catalogue",
    "question_coverage",
]
