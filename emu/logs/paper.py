"""Put characters one behind the other: what the compiled writers of a trace share.

``p`` is the paper: a record with room for some thousands of lines.  Each function puts
something down at ``at`` and gives the place behind it.  The texts of a trace, names and
instructions, stand in one pool; a text is a number, see `Texts` in emu/logs/linewriter.py.
"""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu.native import jit
from emu.native.jit import compiled, inlined

OUT = 1 << 20
MOST = 1 << 24

PAPER = np.dtype([
    ("num", np.int64), ("den", np.int64),  # the clock in Hz is num / den
    ("used", np.int64),  # characters put down
    # what the time of the last line began with: its number (0: none), width, length, text
    ("time", np.int64, (3,)), ("time_text", np.uint8, (16,)),
    ("second", np.int64, (3,)), ("second_text", np.uint8, (16,)),
    ("turn", np.int64), ("turn_at", np.int64),  # a whole number of seconds, its T-state
    ("pair", np.uint8, (256, 2)),  # the two hex digits of a byte
    ("tens", np.uint8, (100, 2)),  # the two decimal digits of a number below 100
    ("bits", np.uint8, (256, 8)),  # a byte's binary digits,
    ("short", np.uint8, (256, 8)),  # and those from its first 1 on
    ("out", np.uint8, (OUT,)),
], align=True)
POOL = np.dtype([("pool", np.uint8, (MOST,))])
TEXT = np.dtype([("text", np.int64, (MOST, 3))])  # place in the pool, length, without blanks


def new_paper(num: int, den: int) -> np.ndarray:
    """Make an empty paper for a clock of ``num / den`` Hz."""
    paper = np.zeros(1, PAPER)
    paper["num"], paper["den"] = num, den
    paper["pair"] = [list(b"%02X" % k) for k in range(256)]
    paper["tens"] = [list(b"%02d" % k) for k in range(100)]
    paper["bits"] = [list(f"{k:08b}".encode()) for k in range(256)]
    paper["short"] = [list(f"{k:<8b}".encode()) for k in range(256)]
    return paper


@inlined
def put_char(p, at, char):
    """Put a character."""
    p.out[np.uint64(at)] = char
    return at + 1


@inlined
def put_blanks(p, at, count):
    """Put blanks."""
    for k in range(count):
        p.out[np.uint64(at + k)] = 32
    return at + count


def _plain(count: int) -> Callable[..., None]:
    def copy(out: Any, at: int, pool: Any, place: int) -> None:
        out[int(at):int(at) + count] = pool[int(place):int(place) + count]

    return copy


if jit.compiling():
    from llvmlite import ir
    from numba import types
    from numba.extending import intrinsic

    def _at_once(count: int) -> Any:
        """Make the copy of so many characters from one array to another, in one go."""
        @intrinsic
        def copy(typing, out, at, pool, place):
            def generate(context, builder, signature, args):
                wide = ir.IntType(8 * count).as_pointer()
                here, there = (
                    builder.bitcast(builder.gep(
                        context.make_array(kind)(context, builder, array).data, [place]), wide)
                    for kind, array, place in zip(signature.args[::2], args[::2], args[1::2],
                                                  strict=True))
                builder.store(builder.load(there, align=1), here, align=1)
                return context.get_dummy_value()

            return types.void(out, types.int64, pool, types.int64), generate

        return copy

    copy_16, copy_8 = _at_once(16), _at_once(8)
else:
    copy_16, copy_8 = _plain(16), _plain(8)


@inlined
def copied(p, q, at, place, length):
    """Put some characters of the pool; where two pieces overlap they say the same."""
    if length >= 16:
        done = np.int64(0)
        while done + 16 < length:
            copy_16(p.out, at + done, q.pool, place + done)
            done += 16
        copy_16(p.out, at + length - 16, q.pool, place + length - 16)
    elif length >= 8:
        copy_8(p.out, at, q.pool, place)
        copy_8(p.out, at + length - 8, q.pool, place + length - 8)
    else:
        for k in range(length):
            p.out[np.uint64(at + k)] = q.pool[np.uint64(place + k)]
    return at + length


@compiled
def put(p, q, x, at, number):
    """Put a text with the blanks that fill it up."""
    return copied(p, q, at, x.text[number, 0], x.text[number, 1])


@compiled
def put_short(p, q, x, at, number):
    """Put a text without the blanks at its end."""
    return copied(p, q, at, x.text[number, 0], x.text[number, 2])


@inlined
def put_byte(p, at, value):
    """Put a byte as two hex digits."""
    v = np.uint64(value & 0xFF)
    p.out[np.uint64(at)] = p.pair[v, np.uint64(0)]
    p.out[np.uint64(at + 1)] = p.pair[v, np.uint64(1)]
    return at + 2


@inlined
def put_word(p, at, value):
    """Put a word as four hex digits."""
    return put_byte(p, put_byte(p, at, value >> 8), value)


@inlined
def put_short_bits(p, at, byte):
    """Put a byte in binary, from its first 1 on."""
    row = np.uint64(byte)
    for k in range(8):
        p.out[np.uint64(at + k)] = p.short[row, np.uint64(k)]
    digits = np.int64(1)
    while byte > 1:
        byte >>= 1
        digits += 1
    return at + digits


@inlined
def put_bits(p, at, value):
    """Put up to 16 bits in binary, without zeros in front."""
    if value < 256:
        return put_short_bits(p, at, value)
    at = put_short_bits(p, at, value >> 8)
    low = np.uint64(value & 0xFF)
    for k in range(8):
        p.out[np.uint64(at + k)] = p.bits[low, np.uint64(k)]
    return at + 8


@compiled
def put_digits(p, at, value, count):
    """Put a number as so many decimal digits, zeros in front."""
    v = np.uint64(value)
    k = count
    while k >= 2:
        rest = v // np.uint64(100)
        two = v - rest * np.uint64(100)
        v = rest
        k -= 2
        p.out[np.uint64(at + k)] = p.tens[two, np.uint64(0)]
        p.out[np.uint64(at + k + 1)] = p.tens[two, np.uint64(1)]
    if k == 1:
        p.out[np.uint64(at)] = np.int64(v % np.uint64(10)) + 48
    return at + count


@compiled
def put_decimal(p, at, value, width):
    """Put a number in decimal, blanks in front to fill ``width``."""
    digits = np.int64(1)
    limit = np.int64(10)
    while value >= limit and digits < 18:
        digits += 1
        limit *= 10
    if value >= limit:
        digits += 1
    if digits < width:
        at = put_blanks(p, at, width - digits)
    return put_digits(p, at, value, digits)


@inlined
def put_four(p, at, value):
    """Put a number below 10,000 as four decimal digits."""
    high = value // 100
    low = np.uint64(value - high * 100)
    p.out[np.uint64(at)] = p.tens[np.uint64(high), np.uint64(0)]
    p.out[np.uint64(at + 1)] = p.tens[np.uint64(high), np.uint64(1)]
    p.out[np.uint64(at + 2)] = p.tens[low, np.uint64(0)]
    p.out[np.uint64(at + 3)] = p.tens[low, np.uint64(1)]
    return at + 4


@compiled
def put_high(p, at, high, width):
    """Put digits in front as `put_decimal` does, copied if they are those of the line before."""
    if high != p.time[0] or width != p.time[1]:
        length = put_decimal(p, at, high, width) - at
        p.time[0] = high if length <= 16 else 0
        p.time[1] = width
        p.time[2] = length
        copy_16(p.time_text, 0, p.out, at)
    else:
        copy_16(p.out, at, p.time_text, 0)
    return at + p.time[2]


@compiled
def put_time(p, at, t, width):
    """Put a T-state as `put_decimal` does; most digits are often those of the line before."""
    high = t // 10_000
    if high == 0:
        return put_decimal(p, at, t, width)
    return put_four(p, put_high(p, at, high, width - 4), t - high * 10_000)


@compiled
def put_stamp(p, at, now):
    """Put a time in short units, without blanks: all but eight digits are mostly those before."""
    high = now // 100_000_000
    if high == 0:
        return put_decimal(p, at, now, 0)
    low = now - high * 100_000_000
    middle = low // 10_000
    return put_four(p, put_four(p, put_high(p, at, high, 0), middle), low - middle * 10_000)


@compiled
def _times_den(p, ticks):
    """Give ``ticks`` * den / num, whole and rest, for ticks below num: bit by bit where the
    product is too wide for 64 bits."""
    if p.num < 1_000_000_000 and p.den < 1_000_000_000:
        ticks *= p.den
        whole = ticks // p.num
        return whole, ticks - whole * p.num
    whole, rest = np.int64(0), np.int64(0)
    for bit in range(62, -1, -1):
        rest *= 2
        if (p.den >> bit) & 1:
            rest += ticks
        turns = rest // p.num
        whole = whole * 2 + turns
        rest -= turns * p.num
    return whole, rest


@compiled
def put_any_seconds(p, at, t, width):
    """Put seconds at any clock."""
    turns = t // p.num
    whole, rest = _times_den(p, t - turns * p.num)
    at = put_decimal(p, at, turns * p.den + whole, width)
    at = put_char(p, at, 46)
    if p.num < 9_000_000_000:
        return put_digits(p, at, rest * 1_000_000_000 // p.num, 9)
    for _ in range(9):
        rest *= 10
        digit = rest // p.num
        rest -= digit * p.num
        at = put_char(p, at, 48 + digit)
    return at


@compiled
def put_seconds(p, at, t, width):
    """Put a T-state as seconds with nine decimals, rounded down to them; what it begins with is
    often that of the line before."""
    if p.den != 1 or p.num >= 9_000_000_000:
        return put_any_seconds(p, at, t, width)
    rest = t - p.turn_at
    if rest < 0 or rest >= p.num:
        p.turn = t // p.num
        p.turn_at = p.turn * p.num
        p.second[0] = 0
        rest = t - p.turn_at
    nanos = rest * 1_000_000_000 // p.num
    high = nanos // 10_000
    if high + 1 != p.second[0] or width != p.second[1]:
        end = put_char(p, put_decimal(p, at, p.turn, width), 46)
        length = put_digits(p, end, high, 5) - at
        p.second[0] = high + 1 if length <= 16 else 0
        p.second[1] = width
        p.second[2] = length
        copy_16(p.second_text, 0, p.out, at)
    else:
        copy_16(p.out, at, p.second_text, 0)
    return put_four(p, at + p.second[2], nanos - high * 10_000)
