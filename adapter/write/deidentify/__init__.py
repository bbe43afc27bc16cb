"""De-identification: exams without what identifies, by policy, before any table or file is made of them."""

from adapter.write.deidentify.cells import Cells
from adapter.write.deidentify.coarse import WITHHELD
from adapter.write.deidentify.exam import deidentify, pseudonym_of_exam
from adapter.write.deidentify.keys import BadPseudonymKey, Pseudonyms, read_key
from adapter.write.deidentify.policy import BadPolicy, DeidentificationPolicy, load_policy, shipped_policies
from adapter.write.deidentify.run import Deidentified, Deidentifier, OtherFamily, TooRare

__all__ = [
    "WITHHELD",
    "BadPolicy",
    "BadPseudonymKey",
    "Cells",
    "DeidentificationPolicy",
    "Deidentified",
    "Deidentifier",
    "OtherFamily",
    "Pseudonyms",
    "TooRare",
    "deidentify",
    "load_policy",
    "pseudonym_of_exam",
    "read_key",
    "shipped_policies",
]
