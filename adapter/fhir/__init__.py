"""FHIR R4: an Exam to its resources and bundles, and back; JSON that keeps digits; XML."""

from adapter.fhir.bundle import (
    BundleType,
    Resource,
    observations_by_region,
    to_bundle,
    to_json,
    to_resources,
    with_id,
)
from adapter.fhir.identity import Identity, Name, by_full_url, by_id, by_identifier, search_token

__all__ = [
    "BundleType",
    "Identity",
    "Name",
    "Resource",
    "by_full_url",
    "by_id",
    "by_identifier",
    "observations_by_region",
    "search_token",
    "to_bundle",
    "to_json",
    "to_resources",
    "with_id",
]
