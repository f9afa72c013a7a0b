"""Write many lines of text at once: columns of characters, put together by numpy.

A `Block` is one field of every line: an array of characters, shape (n, width), and which
of them to keep.  ``render`` sets blocks side by side and drops what is not kept, so a
field may be missing from a line or have a length of its own.  Formatting line by line
in Python took six times as long.
"""
from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
FIT = 9_000_000_000  # below this a number times 10**9 stays in int64


class Block(NamedTuple):
    """Characters (n, width) or (1, width), and a mask that broadcasts against (n, width)."""

    chars: NDArray[np.uint8]
    keep: NDArray[np.bool_]


def _shown(show: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    return np.ones((1, 1), bool) if show is None else show[:, None]


def literal(text: str, show: NDArray[np.bool_] | None = None) -> Block:
    """Write the same text on every line, or on those of ``show``."""
    return Block(np.frombuffer(text.encode(), np.uint8)[None, :], _shown(show))


def hexadecimal(values: Any, digits: int, show: NDArray[np.bool_] | None = None) -> Block:
    """Write numbers in hex with all their digits."""
    shifts = np.arange(4 * (digits - 1), -1, -4)
    return Block(HEX[np.asarray(values, np.int64)[:, None] >> shifts & 15], _shown(show))


def decimal(values: Any, width: int = 0, show: NDArray[np.bool_] | None = None) -> Block:
    """Write numbers from 0 on in decimal, filled up with blanks to ``width``."""
    number = np.asarray(values, np.int64)
    digits = len(str(int(number.max()))) if len(number) else 1
    chars = _digits(number, digits)
    leading = np.arange(digits) < (digits - 1 - _log10(number))[:, None]
    chars[leading] = ord(" ")
    keep = ~leading | (np.arange(digits) >= digits - width)
    if show is not None:
        keep &= show[:, None]
    if width > digits:
        blanks = np.full((len(number), width - digits), ord(" "), np.uint8)
        chars = np.hstack([blanks, chars])
        keep = np.hstack([np.broadcast_to(_shown(show), blanks.shape), keep])
    return Block(chars, keep)


def _digits(number: NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    chars = np.empty((len(number), width), np.uint8)
    for column in range(width - 1, -1, -1):
        number, digit = np.divmod(number, 10)
        chars[:, column] = digit + ord("0")
    return chars


def _log10(number: NDArray[np.int64]) -> NDArray[np.int64]:
    powers = 10 ** np.arange(1, 19)
    return np.searchsorted(powers, number, side="right")


def choice(texts: Sequence[str], index: Any, width: int = 0,
           show: NDArray[np.bool_] | None = None) -> Block:
    """Write one of some texts on each line, filled up with blanks to ``width``."""
    coded = [text.encode() for text in texts] or [b""]
    widest = max(width, *(len(c) for c in coded), 1)
    table = np.frombuffer(b"".join(c.ljust(widest) for c in coded), np.uint8)
    lengths = np.array([max(width, len(c)) for c in coded])
    keep = np.arange(widest) < lengths[index][:, None]
    if show is not None:
        keep &= show[:, None]
    return Block(table.reshape(-1, widest)[index], keep)


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
    fraction = Block(_digits(np.asarray(rest), 9), np.ones((1, 1), bool))
    return [decimal(whole, width), literal("."), fraction]


def render(blocks: Sequence[Block], lines: int) -> bytes:
    """Put blocks side by side, one line each, and join the lines (blocks hold the ends)."""
    widths = [block.chars.shape[1] for block in blocks]
    chars = np.empty((lines, sum(widths)), np.uint8)
    keep = np.empty(chars.shape, bool)
    at = 0
    for block, width in zip(blocks, widths, strict=True):
        chars[:, at:at + width] = block.chars
        keep[:, at:at + width] = block.keep
        at += width
    return chars[keep].tobytes()
