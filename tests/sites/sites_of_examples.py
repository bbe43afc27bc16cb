"""The invented sites of ``examples/sites`` and their catalogues."""

from __future__ import annotations

from pathlib import Path

from adapter.catalogue import Catalogue, load_catalogue

ROOT = Path(__file__).resolve().parents[2]
SITES = {path.name: path for path in sorted((ROOT / "examples" / "sites").iterdir()) if path.is_dir()}


def catalogue_of(name: str) -> Catalogue:
    """The catalogue of one of them."""
    return load_catalogue(SITES[name])
