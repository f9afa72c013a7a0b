"""Write many lines of text at once: columns of characters, put together by numpy.

A block is one field of every line: characters as uint8, shape (n, width), or (1, width)
when all lines have the same.  The character 0 stands for nothing: ``render`` sets the
blocks side by side and drops it, so that a field may be missing from a line or have a
length of its own..
"""
from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
FIT = 9_000_000_000  # below this a number times 10**9 stays in int64
BLANK = ord(" ")
POWERS = 10 ** np.arange(1, 19)

Block = NDArray[np.uint8]
Flags = NDArray[np.bool_]


def _only(chars: Block, show: Flags | None) -> Block:
    return chars if show is None else chars * show[:, None]


def literal(text: str, show: Flags | None = None) -> Block:
    """Write the same text on every line, or on those of ``show``."""
    return _only(np.frombuffer(text.encode(), np.uint8)[None, :], show)


def hexadecimal(values: Any, digits: int, show: Flags | None = None) -> Block:
    """Write numbers in hex with all their digits."""
    number = np.asarray(values)
    chars = np.empty((len(number), digits), np.uint8)
    for column in range(digits):
        chars[:, column] = HEX[number >> 4 * (digits - 1 - column) & 15]
    return _only(chars, show)


def decimal(values: Any, width: int = 0, show: Flags | None = None) -> Block:
    """Write numbers from 0 on in decimal, filled up with blanks to ``width``."""
    number = np.asarray(values, np.int64)
    digits = max(width, len(str(int(number.max()))) if len(number) else 1)
    chars = _digits(number, digits)
    leading = digits - 1 - np.searchsorted(POWERS, number, side="right")
    columns = np.arange(digits)
    absent = columns < leading[:, None]
    chars[absent] = 0
    if width:
        chars[absent & (columns >= digits - width)] = BLANK
    return _only(chars, show)


def _digits(number: NDArray[np.int64], width: int) -> Block:
    chars = np.empty((len(number), width), np.uint8)
    for column in range(width - 1, -1, -1):
        number, digit = np.divmod(number, 10)
        chars[:, column] = digit + ord("0")
    return chars


def choice(texts: Sequence[str], index: Any, width: int = 0, show: Flags | None = None,
           fill: Flags | None = None) -> Block:
    """Write one of some texts on each line, filled up with blanks to ``width``.

    Where ``fill`` says no, the text ends with its last character that is not blank.
    """
    filled = [text.ljust(width).encode() for text in texts]
    short = [] if fill is None else [text.rstrip().encode() for text in texts]
    rows = [*filled, *short, b""]
    widest = max(len(c) for c in rows)
    table = np.frombuffer(b"".join(c.ljust(widest, b"\0") for c in rows), np.uint8)
    chosen = np.asarray(index, np.int64)
    if fill is not None:
        chosen = np.where(fill, chosen, chosen + len(filled))
    if show is not None:
        chosen = np.where(show, chosen, len(rows) - 1)
    return table.reshape(len(rows), widest).take(chosen, axis=0)


def written(blocks: Sequence[Block], lines: int) -> Flags:
    """Tell which lines any of the blocks writes on; each field's first character tells."""
    found = np.zeros(lines, bool)
    for block in blocks:
        found |= block[:, 0] != 0
    return found


def nanoseconds(t: NDArray[np.int64], hz: Fraction) -> tuple[Any, Any]:
    """Give T-states as whole seconds and nanoseconds, rounded down."""
    num, den = hz.numerator, hz.denominator
    if num > FIT or (len(t) and int(t.max()) > (1 << 62) // den):
        exact = [divmod(int(x) * den * 10**9 // num, 10**9) for x in t]
        pairs = np.array(exact, np.int64).reshape(-1, 2)
        return pairs[:, 0], pairs[:, 1]
    whole, rest = np.divmod(t * den, num)
    return whole, rest * 10**9 // num


def seconds(t: NDArray[np.int64], hz: Fraction, width: int = 1) -> list[Block]:
    """Write T-states as seconds with nine decimals; ``width`` is that of the whole part."""
    whole, rest = nanoseconds(t, hz)
    return [decimal(whole, width), literal("."), _digits(np.asarray(rest), 9)]


def render(blocks: Sequence[Block], lines: int) -> bytes:
    """Put blocks side by side, one line each, and join the lines (blocks hold the ends)."""
    chars = np.empty((lines, sum(block.shape[1] for block in blocks)), np.uint8)
    at = 0
    for block in blocks:
        chars[:, at:at + block.shape[1]] = block
        at += block.shape[1]
    return chars.tobytes().translate(None, b"\0")
