"""FHIRPath text to a tree (FHIRPath N1, appendix B: grammar)."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from adapter.problems import AdapterError


class FhirPathError(AdapterError, ValueError):
    """An expression that cannot be read, or content on which it cannot be evaluated."""


#: A tree is a tuple: ("literal", value) ("name", n) ("call", n, args) ("step", left, right) ("index", left, i)
#: ("binary", op, left, right) ("type", op, left, name) ("negative", x) ("variable", n) ("$this",) ("empty",)
Tree = tuple[Any, ...]

_TOKEN = re.compile(
    r"""\s*(?://[^\n]*\s*|/\*.*?\*/\s*)*(?:
      (?P<date>@T?\d[\d:.T+\-Z]*)
    | (?P<number>\d+(?:\.\d+)?)
    | (?P<string>'(?:[^'\\]|\\.)*')
    | (?P<quoted>`(?:[^`\\]|\\.)*`)
    | (?P<variable>%(?:[A-Za-z_][\w-]*|`[^`]*`|'[^']*'))
    | (?P<special>\$(?:this|index|total))
    | (?P<word>[A-Za-z_]\w*)
    | (?P<op><=|>=|!=|!~|[()\[\]{}.,|&=~<>+\-*/])
    )""",
    re.VERBOSE | re.DOTALL,
)
_ESCAPE = re.compile(r"\\(u[0-9a-fA-F]{4}|.)", re.DOTALL)
_ESCAPES = {"n": "\n", "r": "\r", "t": "\t", "f": "\f"}
_LEVELS: tuple[tuple[str, ...], ...] = (
    ("implies",),
    ("or", "xor"),
    ("and",),
    ("in", "contains"),
    ("=", "~", "!=", "!~"),
    ("<", ">", "<=", ">="),
    ("|",),
    ("is", "as"),
    ("+", "-", "&"),
    ("*", "/", "div", "mod"),
)


def parse(text: str) -> Tree:
    """The tree of an expression; raises FhirPathError with the place where it cannot be read."""
    parser = _Parser(text)
    tree = parser.level(0)
    if parser.kind:
        raise parser.fault()
    return tree


class _Parser:
    """Recursive descent, one level of precedence after another."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = list(self._lex())
        self.place = 0

    def _lex(self) -> Any:
        place, end = 0, len(self.text.rstrip())
        while place < end:
            match = _TOKEN.match(self.text, place)
            if match is None or match.lastgroup is None:
                raise FhirPathError(f"cannot read the expression at column {place + 1}")
            yield match.lastgroup, match[match.lastgroup], match.start(match.lastgroup)
            place = match.end()

    @property
    def kind(self) -> str:
        return self.tokens[self.place][0] if self.place < len(self.tokens) else ""

    @property
    def word(self) -> str:
        return self.tokens[self.place][1] if self.place < len(self.tokens) else ""

    def fault(self) -> FhirPathError:
        if not self.kind:
            return FhirPathError("the expression ends too early")
        return FhirPathError(f"{self.word!r} is not expected at column {self.tokens[self.place][2] + 1}")

    def take(self, word: str) -> bool:
        found = self.word == word and self.kind in ("op", "word")
        self.place += found
        return found

    def need(self, word: str) -> None:
        if not self.take(word):
            raise self.fault()

    def next(self) -> str:
        self.place += 1
        return str(self.tokens[self.place - 1][1])

    def level(self, depth: int) -> Tree:
        if depth == len(_LEVELS):
            return self.unary()
        left = self.level(depth + 1)
        while self.kind in ("op", "word") and self.word in _LEVELS[depth]:
            operator = self.next()
            if operator in ("is", "as"):
                left = ("type", operator, left, self.type_name())
            else:
                left = ("binary", operator, left, self.level(depth + 1))
        return left

    def unary(self) -> Tree:
        if self.take("-"):
            return ("negative", self.unary())
        self.take("+")
        return self.invocation()

    def invocation(self) -> Tree:
        left = self.term()
        while True:
            if self.take("."):
                left = ("step", left, self.member())
            elif self.take("["):
                left = ("index", left, self.level(0))
                self.need("]")
            else:
                return left

    def term(self) -> Tree:
        if self.take("("):
            inside = self.level(0)
            self.need(")")
            return inside
        if self.take("{"):
            self.need("}")
            return ("empty",)
        kind = self.kind
        if kind == "number":
            return self.number()
        if kind == "string":
            return ("literal", _unescape(self.next()))
        if kind == "date":
            return ("date", self.next()[1:])
        if kind == "variable":
            return ("variable", self.next()[1:].strip("`'"))
        if self.word in ("true", "false") and kind == "word":
            return ("literal", self.next() == "true")
        return self.member()

    def number(self) -> Tree:
        text = self.next()
        value = Decimal(text) if "." in text else int(text)
        if self.kind == "string":
            return ("quantity", value, _unescape(self.next()))
        return ("literal", value)

    def member(self) -> Tree:
        kind = self.kind
        if kind == "special":
            return (self.next(),)
        if kind not in ("word", "quoted"):
            raise self.fault()
        name = self.next() if kind == "word" else _unescape(self.next())
        if kind == "word" and self.take("("):
            return ("call", name, self.arguments())
        return ("name", name)

    def arguments(self) -> tuple[Tree, ...]:
        found: list[Tree] = []
        if self.take(")"):
            return ()
        found.append(self.level(0))
        while self.take(","):
            found.append(self.level(0))
        self.need(")")
        return tuple(found)

    def type_name(self) -> str:
        if self.kind not in ("word", "quoted"):
            raise self.fault()
        name = self.next().strip("`")
        if self.take("."):
            name = self.next().strip("`")
        return name


def _unescape(token: str) -> str:
    def replaced(match: re.Match[str]) -> str:
        code = match[1]
        return chr(int(code[1:], 16)) if len(code) == 5 else _ESCAPES.get(code, code)

    return _ESCAPE.sub(replaced, token[1:-1])
