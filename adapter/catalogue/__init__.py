"""The catalogue: ``mappings/`` and a site's folder as frozen typed objects.

Beside it, each loaded where it is used: ``adapter.catalogue.lint`` proves a catalogue, ``coverage`` says what is
coded how, ``difference`` what a site changes.
"""

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.cohorts import Cohort
from adapter.catalogue.hours import HourLine, HourRow, HourTable
from adapter.catalogue.load import CatalogueError, forget_catalogues, load_catalogue, packs, shipped_in
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
from adapter.catalogue.rules import NotJudged, Rule, When
from adapter.catalogue.settings import Emit, Organisation, Policy, Settings
from adapter.catalogue.signatures import Signature, Signed, signature_for, signature_of
from adapter.catalogue.tables import Bands, Estimate, GrowthReference, GrowthRow, Measure, Screening
from adapter.catalogue.units import UnitTable, UnknownUnit, WrongDimension
from adapter.catalogue.v2 import Authority, V2Settings
from adapter.catalogue.words import Words

__all__ = [
    "Answer",
    "Authority",
    "Bands",
    "Bound",
    "Catalogue",
    "CatalogueError",
    "Category",
    "Code",
    "Cohort",
    "Component",
    "Condition",
    "Emit",
    "Estimate",
    "Flag",
    "GrowthReference",
    "GrowthRow",
    "HourLine",
    "HourRow",
    "HourTable",
    "Item",
    "ItemType",
    "Meaning",
    "Measure",
    "NotJudged",
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
    "Signature",
    "Signed",
    "Span",
    "UnitTable",
    "UnknownUnit",
    "V2Settings",
    "When",
    "Words",
    "WrongDimension",
    "forget_catalogues",
    "load_catalogue",
    "packs",
    "shipped_in",
    "signature_for",
    "signature_of",
]
