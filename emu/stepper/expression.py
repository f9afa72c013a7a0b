r"""Expressions over registers, memory and symbols.

    a = 0x0d and not carry          registers, flags by name, = or == for equal
    [ticks] > 100                   the byte at an address; word[ticks] the word
    hl >= buffer + 16               symbols are addresses
    value & 80h                     of a stop: what was read or written; ``old`` what stood
                                    there before, ``address`` where

Numbers: 31, 0x1F, $1f, 1Fh, 'c'.  Operators from weak to strong: or; and; not;
= != < <= > >=; |; ^; &; << >>; + -; * / %; - ~.  A register's name wins over a symbol's; a
symbol named like a register is written in backquotes.
"""
from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from emu.errors import InputError
from emu.files.symbols import parse_number
from emu.machine.register_names import REGISTERS
from emu.run.texts import keys

HIT_FACTS = ("value", "old", "address")
FACTS = (*HIT_FACTS, "t")
TOKEN = re.compile(r"""\s*(?:
    (?P<number>0[xX][0-9a-fA-F]+|\$[0-9a-fA-F]+|[0-9][0-9a-fA-F]*[hH]?\b)
  | '(?P<char>\\.|[^'\\])'
  | `(?P<quoted>[^`]+)`
  | (?P<name>[A-Za-z_.?@][\w.?@$]*'?)
  | (?P<op><<|>>|<=|>=|==|!=|[-+*/%&|^~<>=()\[\]])
)""", re.VERBOSE)
BINARY = (("or",), ("and",), ("=", "==", "!=", "<", "<=", ">", ">="), ("|",), ("^",), ("&",),
          ("<<", ">>"), ("+", "-"), ("*", "/", "%"))
DEEPEST = 64
LONGEST = 2000  # characters
HEX = re.compile("[0-9A-Fa-f]+")
HIGHEST = (1 << 62) - 1  # a T-state is no larger


@dataclass(frozen=True)
class Node:
    """A part of an expression: ``kind`` number, register, fact, byte, word or an operator.

    Stops have two kinds more: "place" of an address in physical memory, -1 or less when it is
    not plain, and "pending" sources of a slot; ``number`` is the address or slot.
    """

    kind: str
    parts: tuple[Node, ...] = ()
    number: int = 0
    name: str = ""


@dataclass(frozen=True)
class Scene:
    """What an expression is evaluated over."""

    m: Any
    byte: Callable[[int], int]
    facts: Mapping[str, int]


def _safe(divide: Callable[[int, int], int]) -> Callable[[int, int], int]:
    return lambda a, b: divide(a, b) if b else 0


OPERATIONS: Mapping[str, Callable[[int, int], int]] = {
    "or": lambda a, b: int(bool(a) or bool(b)), "and": lambda a, b: int(bool(a) and bool(b)),
    "=": lambda a, b: int(a == b), "!=": lambda a, b: int(a != b),
    "<": lambda a, b: int(a < b), "<=": lambda a, b: int(a <= b),
    ">": lambda a, b: int(a > b), ">=": lambda a, b: int(a >= b),
    "|": lambda a, b: a | b, "^": lambda a, b: a ^ b, "&": lambda a, b: a & b,
    "<<": lambda a, b: a << (b & 31), ">>": lambda a, b: a >> (b & 31),
    "+": lambda a, b: a + b, "-": lambda a, b: a - b, "*": lambda a, b: a * b,
    "/": _safe(lambda a, b: a // b), "%": _safe(lambda a, b: a % b),
}


def evaluate(node: Node, scene: Scene) -> int:
    """Work an expression out; dividing by 0 gives 0."""
    if node.kind == "number":
        return node.number
    if node.kind == "register":
        return REGISTERS[node.name].get(scene.m)
    if node.kind == "fact":
        return scene.facts.get(node.name, 0)
    values = [evaluate(part, scene) for part in node.parts]
    if node.kind == "byte":
        return scene.byte(values[0] & 0xFFFF)
    if node.kind == "word":
        return scene.byte(values[0] & 0xFFFF) | scene.byte(values[0] + 1 & 0xFFFF) << 8
    if node.kind == "not":
        return int(not values[0])
    if node.kind == "negative":
        return -values[0]
    if node.kind == "~":
        return ~values[0]
    return OPERATIONS[node.kind](*values)


def facts_of(node: Node) -> set[str]:
    """Name the facts that an expression asks."""
    own = {node.name} if node.kind == "fact" else set()
    return own.union(*map(facts_of, node.parts))


def _tokens(text: str) -> list[tuple[str, str]]:
    out, at = [], 0
    while text[at:].strip():
        match = TOKEN.match(text, at)
        if match is None:
            raise InputError(f"{text.strip()!r}: cannot read {text[at:].strip()!r}; see help "
                             f"expressions.")
        kind = match.lastgroup or ""
        out.append((kind, match[kind]))
        at = match.end()
    return out


class Parser:
    """Read one expression; ``symbol`` gives a name's address, or None."""

    def __init__(self, text: str, symbol: Callable[[str], int | None],
                 names: Callable[[], list[str]] = list) -> None:
        self._text, self._symbol, self._names = text.strip(), symbol, names
        if len(text) > LONGEST:
            raise InputError(f"an expression has at most {LONGEST} characters, not {len(text)}.")
        self._left = _tokens(text)
        self._depth = 0

    def whole(self) -> Node:
        """Read all of the text."""
        if not self._left:
            raise InputError("an expression is missing; such as: a = 5 and [ticks] > 100")
        node = self._binary(0)
        if self._left:
            raise self._bad(f"{self._left[0][1]!r} is one word too many")
        return node

    def _bad(self, why: str) -> InputError:
        return InputError(f"{self._text!r}: {why}.")

    def _peek(self) -> str:
        kind, text = self._left[0] if self._left else ("", "")
        return text if kind in ("op", "name") else ""

    def _binary(self, level: int) -> Node:
        if level == len(BINARY):
            return self._unary()
        if level == 2 and self._peek() == "not":
            self._deeper()
            self._left.pop(0)
            return Node("not", (self._binary(2),))
        node = self._binary(level + 1)
        while self._peek() in BINARY[level]:
            op = self._left.pop(0)[1]
            node = Node("=" if op == "==" else op, (node, self._binary(level + 1)))
        return node

    def _deeper(self) -> None:
        self._depth += 1
        if self._depth > DEEPEST:
            raise self._bad(f"more than {DEEPEST} parts")

    def _unary(self) -> Node:
        self._deeper()
        if self._peek() in ("-", "~"):
            op = self._left.pop(0)[1]
            return Node("negative" if op == "-" else "~", (self._unary(),))
        return self._atom()

    def _atom(self) -> Node:
        if not self._left:
            raise self._bad("it ends too early")
        kind, text = self._left.pop(0)
        if kind == "op" and text in "([":
            node = self._binary(0)
            close = ")" if text == "(" else "]"
            if self._peek() != close:
                raise self._bad(f"{close!r} is missing")
            self._left.pop(0)
            return node if text == "(" else Node("byte", (node,))
        if kind == "char":
            return Node("number", number=self._character(text))
        if kind == "number":
            number = parse_number(text)
            if number is None:
                raise self._bad(f"{text!r} is no number; write 0x{text} or {text}h")
            if number > HIGHEST:
                raise self._bad(f"a number has at most {HIGHEST.bit_length()} bits")
            return Node("number", number=number)
        if kind == "op":
            raise self._bad(f"{text!r} stands where a value belongs")
        return self._named(text, kind == "quoted")

    def _character(self, text: str) -> int:
        try:
            typed = keys(text)
        except InputError:
            typed = b""
        if len(typed) != 1:
            raise self._bad(f"'{text}' is no character of one byte; write its number")
        return typed[0]

    def _named(self, text: str, quoted: bool) -> Node:
        low = text.lower()
        if not quoted:
            if low == "word" and self._peek() == "[":
                return Node("word", self._atom().parts)
            if low in FACTS:
                return Node("fact", name=low)
            if low in REGISTERS:
                return Node("register", name=low)
        address = self._symbol(text)
        if address is not None:
            return Node("number", number=address)
        if re.fullmatch(r"[A-Fa-f][0-9A-Fa-f]*[hH]", text):
            return Node("number", number=min(int(text[:-1], 16), HIGHEST))
        close = difflib.get_close_matches(text, [*REGISTERS, *FACTS, *self._names()], 3)
        raise self._bad(f"{text!r} is no register and no symbol"
                        + (f"; did you mean {' or '.join(close)}?" if close else "")
                        + (f"; a number is {text}h or 0x{text}" if HEX.fullmatch(text) else ""))
