"""Frames on a serial wire, and the receiver that samples them: exact, no edge by edge.

A sender's frame is a `WAVE`: a start point, the length of half a bit and the levels, so
that the wire's level at any point of time is a division.  A receiver is an `EAR`: the
grid of its own clock (x1, x16, x32 or x64 of its bit rate), on which it looks.  Hunting,
it waits for a look that sees the line fall; half a bit later it looks whether the line is
still low (else it was noise), then once a bit at the data, the parity and the first stop
bit.  A stop bit that reads low is a framing error; the receiver then hunts on, and needs
to see the line high before it can fall again.

Points of time are ``t + rem/den`` T-states; all arithmetic is whole numbers.  A frame
whose every look is sure to fall into its own bit, whatever the phase (`agrees`), is taken
whole instead of bit by bit, with the same result.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined

NO_PARITY, ODD, EVEN, ALWAYS_1, ALWAYS_0 = range(5)  # parity
HUNTING, SAMPLING, WHOLE = range(3)  # what a receiver does
NOTHING, CHARACTER, MARK = range(3)  # what listening came upon; MARK: the end of a break
PARITY_ERROR, FRAMING_ERROR, BREAK = 1, 2, 4
INSTANT = 1 << 31  # t + 1/INSTANT lies behind every point at t and before every later one

CLOCK = np.dtype([
    ("t", np.int64), ("rem", np.int64),  # an edge: t + rem/den
    ("num", np.int64), ("den", np.int64),  # the period in T-states; num 0: it stands still
], align=True)

WAVE = np.dtype([
    ("active", np.int64),  # 1: a frame is under way
    ("t", np.int64), ("rem", np.int64),  # its start
    ("num", np.int64), ("den", np.int64),  # half a bit in T-states
    ("levels", np.int64),  # one a bit from the start bit on, then ones
    ("halves", np.int64),  # length of the frame in half bits
    ("rest", np.int64),  # the level before and after
    ("space", np.int64),  # 1: a break holds the line low, whatever is sent
    ("agree", np.int64),  # 1: the receiver is sure to read this frame right
], align=True)

EAR = np.dtype([
    ("on", np.int64),
    ("t", np.int64), ("rem", np.int64),  # the next look; hunting: no look before it
    ("num", np.int64), ("den", np.int64),  # period of the receiver's clock
    ("ratio", np.int64),  # of its clock to its bit rate
    ("bits", np.int64), ("parity", np.int64),
    ("busy", np.int64),  # HUNTING, SAMPLING, WHOLE
    ("seen", np.int64),  # level at the last look while hunting
    ("whole", np.int64),  # 1: the fall it found starts a frame that it is sure to read right
    ("look", np.int64),  # 0 start bit, 1.. data, then parity, then stop
    ("byte", np.int64), ("check", np.int64),  # data bits and parity bit so far
    ("error", np.int64),  # PARITY_ERROR, FRAMING_ERROR, BREAK of the last character
    ("broke", np.int64),  # 1: in a break
    ("done_t", np.int64),  # T-state of the last character or mark
], align=True)


@inlined
def before(t, rem, den, t2, rem2, den2):
    """Compare two points of time."""
    return t < t2 or (t == t2 and rem * den2 < rem2 * den)


@inlined
def whole_t(t, rem):
    """Give the first T-state at or after a point."""
    return t + (1 if rem > 0 else 0)


@inlined
def step(g, count):
    """Move a point of a clock's grid by ``count`` periods."""
    total = g.rem + count * g.num
    g.t += total // g.den
    g.rem = total % g.den


@compiled
def align(g, t, rem, den):
    """Move a clock's point to its first edge at or after t + rem/den, never back."""
    if not before(g.t, g.rem, g.den, t, rem, den):
        return
    g.t += (t - g.t) // g.num * g.num  # num T-states hold a whole number of periods: den
    need = (t - g.t) * g.den - g.rem - (-(rem * g.den) // den)
    step(g, -(-need // g.num))


@compiled
def odd_ones(byte):
    """Tell whether a byte has an odd number of ones."""
    byte ^= byte >> 4
    byte ^= byte >> 2
    byte ^= byte >> 1
    return byte & 1


@inlined
def parity_bit(parity, data):
    """Give the bit that a parity other than NO_PARITY adds to some data."""
    if parity >= ALWAYS_1:
        return parity & 1
    return odd_ones(data) ^ (parity & 1)


@compiled
def put(w, byte, bits, parity, stop2):
    """Lay a character out on the wire; its start and its half bit are set already."""
    data = byte & ((1 << bits) - 1)
    w.levels = data << 1
    count = bits + 1
    if parity != NO_PARITY:
        w.levels |= parity_bit(parity, data) << count
        count += 1
    w.levels |= ~((1 << count) - 1)
    w.halves = 2 * count + stop2
    w.active = 1


@inlined
def end_t(w):
    """Give the whole part of a frame's end."""
    return w.t + (w.rem + w.halves * w.num) // w.den


@inlined
def end_rem(w):
    """Give the remainder of a frame's end."""
    return (w.rem + w.halves * w.num) % w.den


@inlined
def half_at(w, t, rem, den):
    """Tell in which half bit of the frame a point lies; -1 before it, or without one."""
    if w.active == 0 or before(t, rem, den, w.t, w.rem, w.den):
        return np.int64(-1)
    return ((t - w.t) * w.den - w.rem + rem * w.den // den) // w.num


@inlined
def level_of(w, half):
    """Give the level of a half bit."""
    if w.space == 1:
        return np.int64(0)
    if half < 0 or half >= w.halves:
        return w.rest
    return (w.levels >> (half >> 1)) & 1


@inlined
def last_look(r):
    """Number the look at the stop bit; the start bit's is 0."""
    return r.bits + (1 if r.parity == NO_PARITY else 2)


@compiled
def find(r, w):
    """Move a hunting receiver on to its first look that can see the line changed; 0: none.

    The line may have changed back by then: look.
    """
    r.whole = 0
    half = half_at(w, r.t, r.rem, r.den)
    if level_of(w, half) != r.seen:
        return 1
    if w.active == 0 or w.space == 1:
        return 0
    for k in range(half + 1, w.halves + 1):
        if level_of(w, k) != r.seen:
            total = w.rem + k * w.num
            align(r, w.t + total // w.den, total % w.den, w.den)
            r.whole = w.agree if k == 0 else 0
            return 1
    return 0


@compiled
def hunt(r, w, t, rem, den):
    """Hunt up to a point: 1 when a look sees the line changed; else nothing moves."""
    while True:
        old_t = r.t
        old_rem = r.rem
        if find(r, w) == 0:
            return 0
        if not before(r.t, r.rem, r.den, t, rem, den):
            r.t = old_t
            r.rem = old_rem
            return 0
        if level_of(w, half_at(w, r.t, r.rem, r.den)) != r.seen:
            return 1


@inlined
def begin(r):
    """Begin a character at a fall: go to the middle of the start bit, or to the end."""
    r.seen = 0
    r.broke = 0
    r.look = 0
    r.byte = 0
    r.check = 0
    r.busy = WHOLE if r.whole == 1 else SAMPLING
    step(r, r.ratio // 2 + (last_look(r) * r.ratio if r.whole == 1 else 0))


@inlined
def finish(r, level):
    """End a character at the look at its stop bit."""
    r.busy = HUNTING
    r.seen = level
    r.error = 0
    if r.parity != NO_PARITY and r.check != parity_bit(r.parity, r.byte):
        r.error = PARITY_ERROR
    if level == 0:
        r.error |= FRAMING_ERROR
        if r.byte == 0 and r.check == 0:
            r.error |= BREAK
            r.broke = 1
    r.done_t = whole_t(r.t, r.rem)
    step(r, 1)


@inlined
def take_whole(r, w):
    """Take a frame that is sure to be read right."""
    r.byte = (w.levels >> 1) & ((1 << r.bits) - 1)
    r.check = 0
    if r.parity != NO_PARITY:
        r.check = (w.levels >> (r.bits + 1)) & 1
    finish(r, np.int64(1))


@compiled
def look(r, w):
    """Look once in the middle of a bit: 1 when the character is complete."""
    level = level_of(w, half_at(w, r.t, r.rem, r.den))
    k = r.look
    r.look += 1
    if k >= last_look(r):  # more when the format has become shorter meanwhile
        finish(r, level)
        return 1
    if k == 0 and level == 1:  # noise
        r.busy = HUNTING
        r.seen = 1
        step(r, 1)
        return 0
    if 0 < k <= r.bits:
        r.byte |= level << (k - 1)
    elif k > r.bits:
        r.check = level
    step(r, r.ratio)
    return 0


@compiled
def listen(r, w, t, rem, den):
    """Let a receiver look at all its points before t + rem/den, up to the first
    CHARACTER or MARK, or NOTHING."""
    while r.on == 1:
        if r.busy == HUNTING:
            if hunt(r, w, t, rem, den) == 0:
                return NOTHING
            if r.seen == 1:
                begin(r)
                continue
            r.seen = 1
            r.done_t = whole_t(r.t, r.rem)
            step(r, 1)
            if r.broke == 1:
                r.broke = 0
                return MARK
        elif not before(r.t, r.rem, r.den, t, rem, den):
            return NOTHING
        elif r.busy == WHOLE:
            take_whole(r, w)
            return CHARACTER
        elif look(r, w) == 1:
            return CHARACTER
    return NOTHING


@compiled
def next_look(r, w):
    """Give the T-state by which `listen` must be called again; FAR: no need."""
    if r.on == 0:
        return np.int64(FAR)
    if r.busy != HUNTING:
        total = r.rem
        if r.busy == SAMPLING:
            total += max(last_look(r) - r.look, 0) * r.ratio * r.num
        return r.t + -(-total // r.den)
    t = r.t
    rem = r.rem
    soonest = np.int64(FAR)
    if find(r, w) == 1:
        soonest = whole_t(r.t, r.rem)
    r.t = t
    r.rem = rem
    return soonest


@compiled
def bit_by_bit(r):
    """Let a receiver that counted on a whole frame look at each bit, as something changes."""
    if r.busy == WHOLE:
        r.busy = SAMPLING
        step(r, -last_look(r) * r.ratio)


@inlined
def at_least(a, b, c, d):
    """Tell whether a/b >= c/d, without long products."""
    return a // b > c // d or (a // b == c // d and (a % b) * d >= (c % d) * b)


@compiled
def agrees(r, num, den, bits, parity):
    """Tell whether a receiver reads frames of this half bit and format right, in any phase.

    Its clock sees the start bit up to one period late.  The first and the last look stand
    for those between, as both run evenly.
    """
    if r.bits != bits or r.parity != parity or r.num == 0 or num == 0:
        return 0
    for k in range(0, last_look(r) + 1, last_look(r)):
        clocks = r.ratio // 2 + k * r.ratio
        if not at_least(clocks * r.num, r.den, 2 * k * num, den):
            return 0
        if not at_least(2 * (k + 1) * num, den, (clocks + 1) * r.num, r.den):
            return 0
    return 1
