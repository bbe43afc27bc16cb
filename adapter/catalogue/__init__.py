"""The catalogue: ``mappings/`` and a site's folder as frozen typed objects, and the linter that proves them."""

from adapter.catalogue.catalogue import Catalogue, Settings
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
    "load_catalogue",
]
