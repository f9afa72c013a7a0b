"""Find the edges of serial lines: TXD and RXD of every channel, from the frames on the wire.

A channel's record holds in each direction one frame as a whole (peripherals/serial_wave.py):
its start, the length of half a bit, the levels.  Here a copy of it is kept, and whenever a card
has been called it is looked at again: the old frame is drawn up to then, and what is new, from
its own start.  A frame that is broken off or goes on behind a break is drawn from then on.

``s`` is the sampler's record, emu/logs/sampler.py.
"""
from __future__ import annotations

import numpy as np

from emu.logs.lines import LINE_WAVE, edge
from emu.native.jit import compiled, inlined

FIELDS = ("active", "t", "rem", "num", "den", "levels", "halves", "rest", "space")
ACTIVE, T, REM, NUM, DEN, LEVELS, HALVES, REST, SPACE = range(len(FIELDS))
STEP = 64  # T-states: more than an instruction, by which a card may have its event late


@inlined
def word(m, at):
    """Read a number of a card's record, at a byte of the pool."""
    value = np.int64(0)
    for k in range(8):
        value |= np.int64(m.pool[at + k]) << (8 * k)
    return value


@inlined
def level_in(s, k, half):
    """Give the level of a half bit of a frame, before and behind it the rest."""
    if s.wave[k, SPACE] == 1:
        return np.int64(0)
    if s.wave[k, ACTIVE] == 0 or half < 0 or half >= s.wave[k, HALVES]:
        return s.wave[k, REST]
    return (s.wave[k, LEVELS] >> (half >> 1)) & 1


@compiled
def draw(s, k, upto):
    """Add the edges of a wave as it is known, up to T-state ``upto``."""
    if s.wave[k, ACTIVE] == 0 or s.wave[k, SPACE] == 1:
        return
    den = s.wave[k, DEN]
    for half in range(s.wave_half[k], s.wave[k, HALVES] + 1):
        passed = s.wave[k, REM] + half * s.wave[k, NUM]
        if passed > (upto - s.wave[k, T]) * den:
            return
        level = level_in(s, k, half)
        if level != s.wave_level[k]:
            s.wave_level[k] = level
            edge(s, 2 * s.wave[k, T] + (4 * passed + den) // (2 * den), LINE_WAVE + k, level)
        s.wave_half[k] = half + 1


@compiled
def copied(m, s, k):
    """Take a wave from its card's record; 1 when it is another one."""
    found = 0
    at = s.wave_at[k]
    for field in range(len(FIELDS)):
        value = word(m, at + 8 * field)
        if value != s.wave[k, field]:
            s.wave[k, field] = value
            found = 1
    return found


@compiled
def meet(s, k, when):
    """Join a wave that has another course since T-state ``when``; give its level then."""
    half = np.int64(-1)
    if s.wave[k, ACTIVE] == 1:
        passed = (when - s.wave[k, T]) * s.wave[k, DEN] - s.wave[k, REM]
        half = max(min(passed // s.wave[k, NUM], s.wave[k, HALVES]), np.int64(-1))
    s.wave_half[k] = half + 1
    return level_in(s, k, half)


@compiled
def note_waves(m, s, when):
    """Draw all waves up to T-state ``when``, and see how they go on."""
    for k in range(s.waves):
        draw(s, k, when)
        if copied(m, s, k) == 1:
            if s.wave[k, ACTIVE] == 1 and s.wave[k, T] + STEP >= s.wave_to[k]:
                s.wave_half[k] = 0  # a new frame
            else:
                level = meet(s, k, when)
                if level != s.wave_level[k]:
                    s.wave_level[k] = level
                    edge(s, 2 * when, LINE_WAVE + k, level)
            draw(s, k, when)
        s.wave_to[k] = when
