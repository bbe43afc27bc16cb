"""The FHIRPath engine fhirpathpy; an expression is parsed once, which takes most of its time."""

from __future__ import annotations

from functools import cache

import fhirpathpy

fhirpathpy.parse = cache(fhirpathpy.parse)
evaluate = fhirpathpy.evaluate
