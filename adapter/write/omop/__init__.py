"""Exams as rows of the OMOP Common Data Model 5.4."""

from adapter.write.omop.concepts import Concept, Concepts, load_concepts
from adapter.write.omop.exam_rows import ExamRows, exam_rows
from adapter.write.omop.files import OmopFiles
from adapter.write.omop.keys import IDENTIFIED, BadKeys, Keys, read_keys
from adapter.write.omop.vocabulary import BadVocabulary, Checked, concepts_of

__all__ = [
    "IDENTIFIED",
    "BadKeys",
    "BadVocabulary",
    "Checked",
    "Concept",
    "Concepts",
    "ExamRows",
    "Keys",
    "OmopFiles",
    "concepts_of",
    "exam_rows",
    "load_concepts",
    "read_keys",
]
