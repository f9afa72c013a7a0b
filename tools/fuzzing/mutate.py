"""Make hostile values, texts and bytes."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence
from typing import Any

NUMBERS = (
    0,
    1,
    2,
    3,
    7,
    8,
    15,
    16,
    31,
    32,
    63,
    64,
    127,
    128,
    255,
    256,
    4095,
    4096,
    8192,
    32767,
    32768,
    65535,
    65536,
    1 << 24,
    (1 << 31) - 1,
    1 << 31,
    (1 << 32) - 1,
    1 << 32,
    (1 << 63) - 1,
    1 << 63,
    1 << 64,
    10**30,
    -1,
    -2,
    -128,
    -32768,
    -(1 << 31),
    -(1 << 63),
)
FLOATS = (0.0, -0.0, 0.5, 1e-7, 1e-300, 1e300, 32768.0, float("inf"), float("-inf"), float("nan"))
TEXTS = (
    "",
    " ",
    "a",
    "none",
    "cpu",
    "0",
    "-1",
    "1e999999999",
    "9" * 5000,
    "0.1 Hz",
    "1e-7 Hz",
    "1e999999999 MHz",
    "6.144 MHz",
    "614.4 kHz",
    "8N1",
    "A" * 3000,
    "..",
    "../x",
    "/",
    "a\0b",
    "\x1b[31mred\x1b[0m",
    "\x9b2J",
    "\u202etfel",
    "\ud7ff",
    "\U0001f4a9",
    "=1+1",
    "<script>alert(1)</script>",
    "%s%n",
    "{0}",
    "\\x",
    "\r\n",
    "\t",
    "nan",
    "inf",
    "1_000",
    "0x10",
    "0b1",
    "1/0",
    "1/3",
    "١",
    "true",
    "[",
    "{",
    '"',
    "'",
    "\u2028",
)


def number(r: random.Random) -> int:
    """Give a whole number, often one at an edge."""
    return r.choice(NUMBERS) if r.random() < 0.8 else r.randrange(-1000, 100000)


def value(r: random.Random, depth: int = 2) -> Any:
    """Give a value of any type that TOML and JSON share."""
    kind = r.randrange(10)
    if kind < 3:
        return number(r)
    if kind < 4:
        return r.choice(FLOATS)
    if kind < 7:
        return text(r)
    if kind < 8 or not depth:
        return r.random() < 0.5
    if kind < 9:
        return [value(r, depth - 1) for _ in range(r.randrange(4))]
    return {text(r) or "k": value(r, depth - 1) for _ in range(r.randrange(3))}


def text(r: random.Random) -> str:
    """Give a hostile text."""
    if r.random() < 0.8:
        return r.choice(TEXTS)
    return "".join(
        chr(r.choice((r.randrange(32, 127), r.randrange(32), r.randrange(128, 0x2100))))
        for _ in range(r.randrange(1, 12))
    )


def spoilt_bytes(
    r: random.Random, data: bytes, most: int = 6, low: int = 0, high: int | None = None
) -> bytes:
    """Change, cut, double or insert a few stretches, between two places."""
    out = bytearray(data)
    for _ in range(r.randint(1, most)):
        end = len(out) if high is None else min(high, len(out))
        at = r.randrange(low, end) if end > low else len(out)
        kind = r.randrange(10)
        if kind < 3 and at < len(out):
            out[at] ^= 1 << r.randrange(8)
        elif kind < 5 and at < len(out):
            out[at] = r.choice((0, 1, 0x7F, 0x80, 0xFE, 0xFF, r.randrange(256)))
        elif kind < 7:
            word = struct.pack(
                r.choice(("<H", "<I", ">H", ">I")),
                r.choice(NUMBERS) & 0xFFFF if r.random() < 0.5 else 0,
            )
            out[at : at + len(word)] = word
        elif kind < 8:
            size = r.choice((1, 4, 32, 512))
            out[at : at + size] = b""
        elif kind < 9:
            out[at:at] = out[at : at + r.choice((1, 4, 32, 512))]
        else:
            out[at:at] = r.randbytes(r.choice((1, 4, 32)))
    if r.random() < 0.1:
        del out[r.randrange(len(out) + 1) :]
    return bytes(out)


def spoilt_text(r: random.Random, source: str, words: Sequence[str] = (), most: int = 3) -> str:
    """Change some words of a text, its lines' order, or characters."""
    for _ in range(r.randint(1, most)):
        kind = r.randrange(8)
        lines = source.split("\n")
        k = r.randrange(len(lines))
        if kind == 0:
            lines[k : k + 1] = []
        elif kind == 1:
            lines[k:k] = [lines[r.randrange(len(lines))]] * r.choice((1, 1, 2, 50))
        elif kind < 5:
            parts = lines[k].split(" ")
            parts[r.randrange(len(parts))] = r.choice([*words, text(r), str(number(r))])
            lines[k] = " ".join(parts)
        elif kind == 5:
            at = r.randrange(len(lines[k]) + 1)
            lines[k] = lines[k][:at] + text(r) + lines[k][at + r.randrange(3) :]
        elif kind == 6:
            at = r.randrange(len(lines[k]) + 1)
            lines[k] = lines[k][:at]
        else:
            lines[k] = lines[k].replace(
                *r.choice(
                    ((" ", "  "), (" ", "\t"), ('"', ""), ("0", "O"), ("=", "=="), (",", ";"))
                )
            )
        source = "\n".join(lines)
    return source


def encoded(r: random.Random, source: str) -> bytes:
    """Write a text, now and then in a way that it should not be."""
    data = source.encode("utf-8", "surrogatepass")
    roll = r.random()
    if roll < 0.03:
        return source.encode("utf-16")
    if roll < 0.06:
        return b"\xef\xbb\xbf" + data
    if roll < 0.1:
        return data.replace(b"\n", r.choice((b"\r\n", b"\r", b"\x0b", b"\n\0")))
    return spoilt_bytes(r, data, 2) if roll < 0.16 else data


def spoilt_tree(r: random.Random, tree: Any, make: Callable[[random.Random], Any] = value) -> Any:
    """Put another value somewhere into a tree of tables and lists, or take one out."""
    if not isinstance(tree, dict | list) or not tree or r.random() < 0.12:
        return make(r)
    if isinstance(tree, list):
        out: Any = list(tree)
        k = r.randrange(len(out))
        if r.random() < 0.1:
            del out[k]
        elif r.random() < 0.1:
            out.insert(k, make(r))
        else:
            out[k] = spoilt_tree(r, out[k], make)
        return out
    out = dict(tree)
    key = r.choice(list(out))
    roll = r.random()
    if roll < 0.08:
        del out[key]
    elif roll < 0.14:
        out[text(r)] = make(r)
    else:
        out[key] = spoilt_tree(r, out[key], make)
    return out
