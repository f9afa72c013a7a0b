"""Read a value change dump (IEEE 1364) as a course of states of the bus lines.

The header is read by pyvcd; the changes here, since captures hold millions of them and
a general tokenizer takes 20 us for each.
"""
from __future__ import annotations

from collections.abc import Iterator, Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from vcd.reader import TokenKind, VCDParseError, tokenize

from emu.compare import probes
from emu.errors import InputError, one_line

HEADER_END = b"$enddefinitions"
Course = tuple[NDArray[np.float64], NDArray[np.int64], list[str]]


def read(path: Path, data: bytes, asked: Mapping[str, str]) -> Course:
    """Give times in seconds, states packed as in probes.py, and the lines that are shown.

    Raises InputError for a broken dump, or one with too few lines.
    """
    head, end, body = data.partition(HEADER_END)
    if not end:
        raise InputError(f"{path}: is no VCD that can be read: it has no $enddefinitions.")
    try:
        names, scale = _header(head + end + b" $end\n")
        used = probes.assign(names, asked, path)
        places = _places(path, names, used)
        moments, levels = _course(body, places)
        times, states = np.array(moments, np.float64) * scale, np.array(levels, np.int64)
    except InputError:
        raise
    except (VCDParseError, LookupError, ValueError, StopIteration, OverflowError) as error:
        raise InputError(f"{path}: is no VCD that can be read: {one_line(str(error))}.") from None
    return times, states, list(used.values())


def _header(head: bytes) -> tuple[dict[str, tuple[str, int]], float]:
    """Give identifier and width by name, and the timescale in seconds."""
    names: dict[str, tuple[str, int]] = {}
    scale = 1e-9
    for token in tokenize(BytesIO(head)):
        data: Any = token.data
        if token.kind is TokenKind.VAR:
            name = data.reference
            if isinstance(data.bit_index, int):
                name += str(data.bit_index)
            names.setdefault(name, (data.id_code, data.size))
        elif token.kind is TokenKind.TIMESCALE:
            scale = int(data.magnitude) * probes.UNITS[data.unit.value]
    return names, scale


def _places(path: Path, names: Mapping[str, tuple[str, int]],
            used: Mapping[str, str]) -> dict[bytes, tuple[int, int]]:
    """Give bit and mask by identifier; a vector of another width is refused."""
    out = {}
    for column, line in used.items():
        if line == "TIME":
            continue
        at, width = probes.BUSES.get(line, (probes.LINES.get(line, 0), 1))
        identifier, size = names[column]
        if size != width:
            raise InputError(f"{path}: {column} is {size} bits wide, but {line} has {width}; say "
                             f"with --columns which is which.")
        out[identifier.encode()] = at, (1 << width) - 1
    return out


def level(value: bytes, mask: int) -> int:
    """Give a value's bits; what floats or is unknown reads 1, as with pull-ups."""
    text = value.lower()
    if not text.strip(b"zx"):
        return mask
    return int(text.replace(b"z", b"1").replace(b"x", b"1"), 2) & mask


def _course(body: bytes, places: Mapping[bytes, tuple[int, int]]) -> tuple[list[int], list[int]]:
    words = iter(body.split())
    state, times, states = 0, [0], [0]
    for word in words:
        first = word[:1]
        if first == b"#":
            states.append(state)
            times.append(int(word[1:]))
            continue
        if first in b"01xzXZ":
            value, name = first, word[1:]
        elif first in b"bB":
            value, name = word[1:], next(words)
        else:
            _skip(first, word, words)
            continue
        place = places.get(name)
        if place is not None:
            at, mask = place
            state = state & ~(mask << at) | level(value, mask) << at
            states[-1] = state
    return times, states


def _skip(first: bytes, word: bytes, words: Iterator[bytes]) -> None:
    """Pass by what carries no level: real and text changes, comments, $dumpvars and its end."""
    if first in b"rRsS":
        next(words)
    elif word == b"$comment":
        while next(words) != b"$end":
            pass
    elif first != b"$":
        raise ValueError(f"{word[:20].decode('latin-1')!r} is no value change")
