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
        """``[3]``, the same for the same source of the catalogue."""
        return self.number_of(source_in_words(source, self._catalogue))

    def number_of(self, words: str) -> str:
        """The number of a source that is given in words."""
        return f"[{self._numbers.setdefault(words, len(self._numbers) + 1)}]"

    def listed(self) -> list[Block]:
        """The list that the numbers lead to."""
        lines = (f"[{n}] {words}" for words, n in self._numbers.items())
        return [Bullets(tuple(say(line) for line in lines))] if self._numbers else []
