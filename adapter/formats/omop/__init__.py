"""Exams as rows of the OMOP Common Data Model 5.4."""

from adapter.formats.omop.concepts import Concepts, load_concepts
from adapter.formats.omop.files import OmopFiles
from adapter.formats.omop.keys import BadKeys, Keys, read_keys

__all__ = ["BadKeys", "Concepts", "Keys", "OmopFiles", "load_concepts", "read_keys"]
