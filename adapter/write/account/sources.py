"""The sources of ranges and rules, numbered in the order in which a document first names them."""

from __future__ import annotations

from adapter.catalogue import Catalogue
from adapter.derive.tell import source_in_words
from adapter.document import Block, Bullets, say


class Sources:
    """Numbers for the sources of one document."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._numbers: dict[str, int] = {}

    def number(self, source: str) -> str:
        """``[3]``, the same for the same source."""
        return f"[{self._numbers.setdefault(source, len(self._numbers) + 1)}]"

    def listed(self) -> list[Block]:
        """The list that the numbers lead to."""
        lines = (f"[{n}] {source_in_words(source, self._catalogue)}" for source, n in self._numbers.items())
        return [Bullets(tuple(say(line) for line in lines))] if self._numbers else []
