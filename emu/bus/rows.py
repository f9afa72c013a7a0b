"""What the run loop does before each step when it is asked to: an instruction, an interrupt's
response, or an idle fetch in HALT.

SAMPLED: it writes the machine into a row, for emu/logs/sampler.py.  The run is left behind
the step in which a card was called, for only then can a line have changed, and when there is
no room for more rows.

ASKED: it calls ``m.hook``, for emu/stepper/walker.py, which may leave the run.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import WORDS, A, B, C, D, E, F, H, L
from emu.native.calls import call_hook
from emu.native.jit import compiled, inlined

SAMPLED, ASKED = 1, 2  # values of m.sampling
IXH, IXL, IYH, IYL = 8, 9, 10, 11
PREFIX_SHIFT = 24  # of m.prefix in W_CONTROL
RESUME_SHIFT = 28  # of m.resume

# Words of a row: the machine before the step.
(W_T, W_LOG, W_PLACE, W_MAIN, W_INDEX, W_ALTERNATE, W_CONTROL) = range(WORDS)


@inlined
def leave_sampled(m):
    """Leave run() at the next instruction boundary, as if its time were over."""
    m.t_stop = 0
    m.next_event = 0


@inlined
def card_called(m):
    """Say that a card was called: the step under way is the last of this run if sampled."""
    if m.sampling == SAMPLED:
        leave_sampled(m)


@inlined
def pack(m, high, low):
    """Give two 8-bit registers as a word."""
    return m.r[high] << 8 | m.r[low]


@inlined
def place_of(m, address):
    """Give where an address leads: 4 KiB page of phys * 256 + owner; page 1023: none."""
    page = (address >> 12) & 15
    base = m.read_base_true[page]
    return ((base >> 12) & 511 if base >= 0 else np.int64(1023)) << 8 | m.owner[page]


@compiled
def note_row(m, t, pc):
    """Write a row: the machine at the boundary ``t`` before the step at ``pc``."""
    at = np.uint64(m.row_count * WORDS)
    m.rows[at] = t
    m.rows[at + np.uint64(1)] = m.log_pos
    m.rows[at + np.uint64(2)] = place_of(m, pc)
    m.rows[at + np.uint64(3)] = (pack(m, A, F) << 48 | pack(m, B, C) << 32
                                 | pack(m, D, E) << 16 | pack(m, H, L))
    m.rows[at + np.uint64(4)] = (pack(m, IXH, IXL) << 48 | pack(m, IYH, IYL) << 32
                                 | m.sp << 16 | pc)
    m.rows[at + np.uint64(5)] = (
        m.alt[A] << 56 | m.alt[F] << 48 | m.alt[B] << 40 | m.alt[C] << 32
        | m.alt[D] << 24 | m.alt[E] << 16 | m.alt[H] << 8 | m.alt[L])
    m.rows[at + np.uint64(6)] = (
        m.i << 8 | (m.refresh_high & 0x80) | (m.refresh & 0x7F) | m.im << 16 | m.iff1 << 20
        | m.iff2 << 21 | m.halted << 22 | m.prefix << PREFIX_SHIFT | m.resume << RESUME_SHIFT
        | m.wz << 32)
    m.row_count += 1
    if m.row_count >= m.row_limit or m.log_pos >= m.row_log_limit:
        leave_sampled(m)


@compiled
def before_step(m, t, pc):
    """Do what is asked for before the step that begins at ``t``; 0: it is not to begin."""
    if m.sampling == SAMPLED:
        note_row(m, t, pc)
        return np.int64(1)
    return call_hook(m, t, pc)
