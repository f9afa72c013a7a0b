"""The wire between a serial channel and the terminal at its other end.

Both directions are waveforms: a sender puts frames on a `WIRE`, a `RECEIVER` looks for a
falling edge and samples in the middle of each of its own bits.  So a wrong divisor gives
the garbage that it gives on the bench: other bytes, more or fewer of them, framing errors.
A byte with a framing error is shown as received; a break as NUL.

Times are kept in 1/65536 T-state ("fine"), from exact frame starts: enough for 200 days at
6 MHz, and nothing adds up from frame to frame.
"""
from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus import leave
from emu.jit import compiled, inlined
from emu.state import CONSOLE_FULL, FAR

FRAMES = 16  # frames a wire remembers
TYPED = 1024
SHOWN = 4096
FINE = 16
IDLE_FOREVER = 1 << 62

PARITY_ERROR, FRAMING_ERROR, BREAK = 0x100, 0x200, 0x400
NO_PARITY, ODD, EVEN = range(3)

WIRE = np.dtype([
    ("start", np.int64, (FRAMES,)),  # fine time of a frame's falling edge
    ("bit", np.int64, (FRAMES,)),  # fine length of a bit
    ("word", np.int64, (FRAMES,)),  # levels, bit 0 first: start, data, parity, stop
    ("half_bits", np.int64, (FRAMES,)),  # length of the frame
    ("count", np.int64),  # frames sent so far
    ("until", np.int64),  # fine time of the last frame's end
], align=True)

RECEIVER = np.dtype([
    ("bit", np.int64),  # fine length of a bit, 0: off
    ("bits", np.int64), ("parity", np.int64),
    ("ready", np.int64),  # fine time from which it looks for a start bit
    ("errors", np.int64),  # framing errors so far
], align=True)

LINE = np.dtype([
    ("out", WIRE), ("terminal", RECEIVER),  # card to terminal
    ("back", WIRE), ("card", RECEIVER),  # terminal to card
    ("term_bit", np.int64), ("term_bits", np.int64), ("term_parity", np.int64),
    ("term_stop2", np.int64),  # stop length in half bits
    ("term_flow", np.int64),  # 1: honours the card's RTS
    ("rts", np.int64), ("rts_since", np.int64), ("dtr", np.int64),  # 1 = active
    ("typed", np.uint8, (TYPED,)), ("typed_t", np.int64, (TYPED,)),
    ("typed_in", np.int64), ("typed_out", np.int64),
    ("shown", np.uint8, (SHOWN,)), ("shown_t", np.int64, (SHOWN,)),
    ("shown_in", np.int64), ("shown_limit", np.int64),
], align=True)


@compiled
def parity_of(data):
    """Give the exclusive or of a byte's bits."""
    data ^= data >> 4
    data ^= data >> 2
    data ^= data >> 1
    return data & 1


@compiled
def frame_word(data, bits, parity):
    """Lay a character out as levels: start 0, data from bit 0, parity, then ones."""
    data &= (1 << bits) - 1
    word = data << 1
    at = bits + 1
    if parity != NO_PARITY:
        bit = parity_of(data)
        if parity == ODD:
            bit ^= 1
        word |= bit << at
        at += 1
    return word | (15 << at)


@inlined
def frame_half_bits(bits, parity, stop2):
    """Give a frame's length in half bits."""
    return 2 + 2 * bits + (2 if parity != NO_PARITY else 0) + stop2


@compiled
def send(w, start, bit, word, half_bits):
    """Put a frame on a wire; its falling edge is at ``start`` (fine)."""
    k = w.count & (FRAMES - 1)
    w.start[k] = start
    w.bit[k] = bit
    w.word[k] = word
    w.half_bits[k] = half_bits
    w.count += 1
    w.until = start + (half_bits * bit >> 1)


@compiled
def level(w, when):
    """Give a wire's level at a fine time: 1 between frames."""
    first = max(w.count - FRAMES, 0)
    for n in range(w.count - 1, first - 1, -1):
        k = n & (FRAMES - 1)
        if when >= w.start[k]:
            if when >= w.start[k] + (w.half_bits[k] * w.bit[k] >> 1):
                return np.int64(1)
            return (w.word[k] >> ((when - w.start[k]) // w.bit[k])) & 1
    return np.int64(1)


@compiled
def start_edge(w, ready):
    """Find the first falling edge at or after a fine time, IDLE_FOREVER if none is known."""
    first = max(w.count - FRAMES, 0)
    for n in range(first, w.count):
        k = n & (FRAMES - 1)
        if w.start[k] + (w.half_bits[k] * w.bit[k] >> 1) <= ready:
            continue
        before = np.int64(1)
        for i in range((w.half_bits[k] + 1) // 2):
            now = (w.word[k] >> i) & 1
            edge = w.start[k] + i * w.bit[k]
            if before == 1 and now == 0 and edge >= ready:
                return edge
            before = now
    return np.int64(IDLE_FOREVER)


@inlined
def samples(r):
    """Count a receiver's bits up to the first stop bit's middle, which ends a character."""
    return 1 + r.bits + (1 if r.parity != NO_PARITY else 0)


@compiled
def due(w, r):
    """Give the T-state at which a receiver has its next character, FAR if none comes."""
    if r.bit == 0 or w.count == 0 or w.until <= r.ready:
        return np.int64(FAR)
    edge = start_edge(w, r.ready)
    if edge == IDLE_FOREVER:
        return np.int64(FAR)
    end = edge + samples(r) * r.bit + (r.bit >> 1)
    return (end >> FINE) + 1


@compiled
def receive(w, r):
    """Take the character that is due: data with error flags."""
    edge = start_edge(w, r.ready)
    middle = edge + (r.bit >> 1)
    if level(w, middle) != 0:  # too short for a start bit
        r.ready = middle
        return np.int64(-1)
    data = np.int64(0)
    for i in range(r.bits):
        data |= level(w, middle + (1 + i) * r.bit) << i
    code = data
    at = r.bits + 1
    if r.parity != NO_PARITY:
        bit = level(w, middle + at * r.bit)
        want = parity_of(data) ^ (1 if r.parity == ODD else 0)
        if bit != want:
            code |= PARITY_ERROR
        data |= bit << r.bits
        at += 1
    if level(w, middle + at * r.bit) == 0:
        r.errors += 1
        code |= FRAMING_ERROR
        if data == 0:
            code |= BREAK
    r.ready = middle + at * r.bit
    return code


@compiled
def feed_due(s):
    """Give the T-state at which the terminal starts its next typed byte, FAR if none."""
    if s.typed_out >= s.typed_in or (s.term_flow == 1 and s.rts == 0):
        return np.int64(FAR)
    start = max(s.typed_t[s.typed_out & (TYPED - 1)], (s.back.until >> FINE) + 1)
    if s.term_flow == 1:
        start = max(start, s.rts_since)
    return start


@compiled
def feed(s):
    """Let the terminal start its next typed byte."""
    start = feed_due(s)
    k = s.typed_out & (TYPED - 1)
    send(s.back, start << FINE, s.term_bit,
         frame_word(np.int64(s.typed[k]), s.term_bits, s.term_parity),
         frame_half_bits(s.term_bits, s.term_parity, s.term_stop2))
    s.typed_out += 1


@compiled
def show(m, s, code, t):
    """Put a character on the terminal's screen."""
    k = s.shown_in & (SHOWN - 1)
    s.shown[k] = code & 0xFF
    s.shown_t[k] = t
    s.shown_in += 1
    if s.shown_in >= s.shown_limit:
        leave(m, CONSOLE_FULL)


@compiled
def next_due(s):
    """Give the T-state of the line's next event."""
    return min(min(feed_due(s), due(s.back, s.card)), due(s.out, s.terminal))


@compiled
def step(m, s, t):
    """Do the line's earliest event up to T-state t.

    Gives what the card's receiver got (data with error flags), -1 when the event was
    another, -2 when nothing is due.
    """
    shown = due(s.out, s.terminal)
    fed = feed_due(s)
    got = due(s.back, s.card)
    first = min(min(shown, fed), got)
    if first > t:
        return np.int64(-2)
    if first == shown:
        code = receive(s.out, s.terminal)
        if code >= 0:
            show(m, s, code, first)
        return np.int64(-1)
    if first == got:
        return receive(s.back, s.card)
    feed(s)
    return np.int64(-1)


@compiled
def set_rts(s, active, t):
    """Let the terminal see the card's RTS."""
    if active != s.rts:
        s.rts = active
        s.rts_since = t + 1


def connect(line: Any, table: Mapping[str, Any], hz: Fraction) -> None:
    """Set the terminal up from its table in the backplane file."""
    form = table["format"]
    line.term_bit = int(hz * (1 << FINE) / table["baud"])
    line.term_bits = int(form[0])
    line.term_parity = "NOE".index(form[1])
    line.term_stop2 = {"1": 2, "1.5": 3, "2": 4}[form[2:]]
    line.term_flow = int(table["flow"] == "rts-cts")
    line.terminal.bit, line.terminal.bits = line.term_bit, line.term_bits
    line.terminal.parity = line.term_parity
    line.shown_limit = 1 << 62
