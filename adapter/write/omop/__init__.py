"""Exams as rows of the OMOP Common Data Model 5.4."""

from adapter.write.omop.concepts import Concepts, load_concepts
from adapter.write.omop.exam_rows import ExamRows, exam_rows
from adapter.write.omop.files import OmopFiles
from adapter.write.omop.keys import BadKeys, Keys, read_keys

__all__ = ["BadKeys", "Concepts", "ExamRows", "Keys", "OmopFiles", "exam_rows", "load_concepts", "read_keys"]
