"""Messages of HL7 v2 before anything has judged them: judging the first takes twenty times as long as writing it.

They are what ``to_oru`` gives of the same exam (``tests/v2/test_v2_round_trip.py``). Every example is judged under
every site in ``tests/sites/test_every_format.py``.
"""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.v2.er7 import CHARSETS
from adapter.write.v2.message import unjudged


def unjudged_oru(exam: Exam, catalogue: Catalogue, earlier: Sequence[bytes] = ()) -> bytes:
    """The bytes of the message."""
    end = "\r\n" if catalogue.v2.terminator == "CRLF" else "\r"
    lines = unjudged(exam, catalogue, earlier)
    return "".join(f"{line}{end}" for line in lines).encode(CHARSETS[catalogue.v2.character_set])
