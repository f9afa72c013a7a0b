"""Run instruction by instruction and note what the bus log cannot hold.

The log has no registers and no lines.  ``sample`` runs the machine in steps of one
instruction (an interrupt's response is a step of its own) and writes, for each step, the
registers as they stood before it, and every edge of /INT, /NMI, IEI and IEO with its
half T-state (emu/logs/edges.py).

The run loop is called by its address, so this unit compiles in a second.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import (
    LOG,
    MACHINE,
    NMI_FETCH,
    SLOTS,
    A,
    B,
    C,
    D,
    E,
    F,
    H,
    L,
)
from emu.cpu.run_by_address import run_at
from emu.logs.edges import EDGES, FEW, after_step, before_step, note_nmi, run_due_events
from emu.native.jit import INT, compiled, inlined, root

ROWS = 1 << 14  # steps a call
ROOM = 512  # log entries that one step may need
IXH, IXL, IYH, IYL = 8, 9, 10, 11
PREFIX_SHIFT = 24  # of m.prefix in W_CONTROL
RESUME_SHIFT = 28  # of m.resume

# Words of a row: the machine before the step.
(W_T, W_LOG, W_PLACE, W_MAIN, W_INDEX, W_ALTERNATE, W_CONTROL) = range(7)
WORDS = 7

SAMPLES = np.dtype([
    ("run", np.int64),  # address of the run loop
    ("count", np.int64),  # rows written; row ``count`` holds the state after the last
    ("edges", np.int64),
    # what emu/logs/edges.py has seen last, and of the step under way:
    ("int_line", np.int64), ("nmi", np.int64),
    ("iei", np.int64, (SLOTS,)), ("ieo", np.int64, (SLOTS,)),
    ("ip", np.int64, (SLOTS,)), ("ius", np.int64, (SLOTS,)),
    ("due", np.int64, (SLOTS,)),  # the cards' events before the step
    ("retis", np.int64), ("start", np.int64), ("access", np.int64), ("other", np.int64),
    ("ack", np.int64),
    ("row", np.int64, (ROWS + 1, WORDS)),
    ("edge", np.int64, (EDGES, 3)),  # half T-states since power-on, line, level
], align=True)

@inlined
def pack(m, high, low):
    """Give two 8-bit registers as a word."""
    return m.r[high] << 8 | m.r[low]


@inlined
def place_of(m, address):
    """Give where an address leads: 4 KiB page of phys * 256 + owner; page 1023: none."""
    page = address >> 12
    base = m.read_base_true[page]
    return ((base >> 12) & 511 if base >= 0 else np.int64(1023)) << 8 | m.owner[page]


@compiled
def write_row(m, s, row):
    """Write the machine as it stands into a row."""
    s.row[row, 0] = m.t
    s.row[row, 1] = m.log_pos
    s.row[row, 2] = place_of(m, m.pc)
    s.row[row, 3] = (pack(m, A, F) << 48 | pack(m, B, C) << 32
                     | pack(m, D, E) << 16 | pack(m, H, L))
    s.row[row, 4] = pack(m, IXH, IXL) << 48 | pack(m, IYH, IYL) << 32 | m.sp << 16 | m.pc
    s.row[row, 5] = (m.alt[A] << 56 | m.alt[F] << 48 | m.alt[B] << 40 | m.alt[C] << 32
                     | m.alt[D] << 24 | m.alt[E] << 16 | m.alt[H] << 8 | m.alt[L])
    s.row[row, 6] = (m.i << 8 | m.refresh | m.im << 16 | m.iff1 << 20 | m.iff2 << 21
                     | m.halted << 22 | m.prefix << PREFIX_SHIFT | m.resume << RESUME_SHIFT
                   | m.wz << 32)


@root(MACHINE, SAMPLES, INT)
def sample(m, s, t_stop):
    """Run until ``t_stop``, a reason to leave, or full rows; the number of steps.

    ``m.exit_reason`` tells why, 0 when the rows are full.  Rows and edges are added to
    those there are; the caller empties them and has turned the log on.
    """
    reason = np.int64(0)
    oldest = s.row[0, 1] if s.count > 0 else m.log_pos
    m.exit_reason = 0
    while (s.count < ROWS and s.edges < EDGES - FEW and m.log_pos - oldest < LOG - ROOM
           and m.t < t_stop):
        run_due_events(m, s)
        reason = m.exit_reason
        first = m.log_pos
        before_step(m, s)
        write_row(m, s, s.count)
        run_at(m, s.run, m.t + 1)
        while m.log_pos == first and m.exit_reason == 0 and m.t < t_stop:
            run_at(m, s.run, m.t + 1)  # a card that has the bus waits: no step of its own
        if m.log_pos == first:
            break
        kind = (m.log[(first & (LOG - 1)) * 2 + 1] >> 24) & 15
        after_step(m, s, first)
        note_nmi(m, s, s.start * 2 if kind == NMI_FETCH else 0)
        s.count += 1
        if m.exit_reason == 0:
            m.exit_reason = reason
        if m.exit_reason != 0:
            break
    write_row(m, s, s.count)
    return s.count
