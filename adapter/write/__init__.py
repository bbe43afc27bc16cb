"""Outward forms of an exam: bundles, and what hospitals and researchers take beside them."""

from adapter.write.outward import (
    OUTWARD,
    NotWritable,
    Outward,
    allowed,
    encodings_of,
    left_out,
    lint_forms,
    unmet_profiles,
    write,
)

__all__ = [
    "OUTWARD",
    "NotWritable",
    "Outward",
    "allowed",
    "encodings_of",
    "left_out",
    "lint_forms",
    "unmet_profiles",
    "write",
]
