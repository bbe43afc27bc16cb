"""A site's FHIR packages: profiles, value sets and code systems, from local files only.

A package is an npm-style ``.tgz`` (``package/*.json``) or a folder of JSON or XML files. What is understood of a
profile is in :mod:`adapter.validate.packages.rules`; nothing is ever fetched.
"""

from __future__ import annotations

from adapter.validate.packages.check import check_profiles
from adapter.validate.packages.codes import check_codes
from adapter.validate.packages.load import PackageError, Packages, load_packages

__all__ = ["PackageError", "Packages", "check_codes", "check_profiles", "load_packages"]
