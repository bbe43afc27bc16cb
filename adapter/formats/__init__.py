"""Outward forms of an exam: bundles, and what hospitals and researchers take beside them."""

from adapter.formats.outward import OUTWARD, NotWritable, Outward, write

__all__ = ["OUTWARD", "NotWritable", "Outward", "write"]
