"""Exams as rows of the OMOP Common Data Model 5.4."""

from adapter.write.omop.concepts import Concepts, load_concepts
from adapter.write.omop.files import OmopFiles
from adapter.write.omop.keys import BadKeys, Keys, read_keys

__all__ = ["BadKeys", "Concepts", "Keys", "OmopFiles", "load_concepts", "read_keys"]
