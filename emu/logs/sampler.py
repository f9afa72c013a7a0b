"""Run the machine and note what the bus log cannot hold: registers, and edges of lines.

The run loop writes the registers as they stand before each step (emu/bus/rows.py): an
instruction, an interrupt's response, an idle fetch in HALT.  ``sample`` lets it run until
a card is called, for only that moves a line, and then notes every edge of /INT, /NMI, IEI
and IEO with its half T-state (emu/logs/edges.py).  While a card may take the bus, and while
electrical faults pull lines, it runs a step at a time.

The run loop is called by its address, so this unit compiles in a second.
"""
from __future__ import annotations

import numpy as np

from emu.bus.events import soonest_event
from emu.bus.rows import SAMPLED, W_LOG, W_T, note_row
from emu.bus.state import LOG, MACHINE, NMI_FETCH, ROWS, SLOTS, WORDS
from emu.cpu.run_by_address import run_at
from emu.logs.edges import after_step, before_step, changed, note_nmi, run_due_events
from emu.logs.lines import EDGES, FEW, WAVES
from emu.logs.waves import FIELDS, draw
from emu.native.jit import INT, compiled, inlined, root

ROOM = 512  # log entries that one step may need

SAMPLES = np.dtype([
    ("run", np.int64),  # address of the run loop
    ("edges", np.int64),
    # what emu/logs/edges.py has seen last, and of the step under way:
    ("int_line", np.int64), ("nmi", np.int64),
    ("iei", np.int64, (SLOTS,)), ("ieo", np.int64, (SLOTS,)),
    ("ip", np.int64, (SLOTS,)), ("ius", np.int64, (SLOTS,)),
    ("due", np.int64, (SLOTS,)),  # the cards' events before the steps
    ("retis", np.int64), ("start", np.int64), ("access", np.int64), ("other", np.int64),
    ("ack", np.int64),
    ("edge", np.int64, (EDGES, 3)),  # half T-states since power-on, line, level
    # serial waves, emu/logs/waves.py: how many, where their frames are in the pool,
    ("waves", np.int64), ("wave_at", np.int64, (WAVES,)),
    ("wave", np.int64, (WAVES, len(FIELDS))),  # the frames as they are known,
    ("wave_half", np.int64, (WAVES,)),  # the half bit whose beginning is looked for,
    ("wave_level", np.int64, (WAVES,)), ("wave_to", np.int64, (WAVES,)),  # drawn up to T-state
], align=True)


@inlined
def write_row(m):
    """Write the machine as it stands behind the last row."""
    m.refresh_high = m.i << 8 | (m.refresh & 0x80)
    note_row(m, m.t, m.pc)


@compiled
def one_step(m, s, t_stop):
    """Run one step; a card that has the bus and waits makes no step of its own, nor does a cycle
    that /WAIT holds."""
    first = m.log_pos
    write_row(m)
    run_at(m, s.run, m.t + 1)
    while ((m.log_pos == first or m.wait_state != 0) and m.exit_reason == 0
           and m.t < t_stop):
        run_at(m, s.run, m.t + 1)
    if m.log_pos == first:
        m.row_count -= 1


@compiled
def many_steps(m, s, t_stop):
    """Run up to the step in which a card is called, or its event falls due."""
    m.sampling = SAMPLED
    run_at(m, s.run, t_stop)
    m.sampling = 0


@root(MACHINE, SAMPLES, INT)
def sample(m, s, t_stop):
    """Run until ``t_stop``, a reason to leave, or full rows; the number of steps.

    ``m.exit_reason`` tells why, 0 when the rows are full.  Rows and edges are added to
    those there are; the caller empties them and has turned the log on.  Behind the last row
    stands one more, the state at the end.
    """
    m.exit_reason = 0
    m.row_limit = ROWS
    m.row_log_limit = (m.rows[W_LOG] if m.row_count > 0 else m.log_pos) + LOG - ROOM
    while (m.row_count < ROWS and s.edges < EDGES - FEW and m.log_pos < m.row_log_limit
           and m.t < t_stop):
        run_due_events(m, s)
        reason = m.exit_reason
        before_step(m, s)
        before = m.row_count
        if m.bus_watch + m.bus_armed + m.noise_every > 0 or m.held != 0:
            one_step(m, s, t_stop)
        elif reason != 0 or changed(m, s) == 1:
            many_steps(m, s, m.t + 1)
        else:
            many_steps(m, s, min(soonest_event(m) + 1, t_stop))
        if m.row_count == before:
            break
        last = (m.row_count - 1) * WORDS
        s.start = m.rows[last + W_T]
        first = m.rows[last + W_LOG]
        kind = (m.log[(first & (LOG - 1)) * 2 + 1] >> 24) & 15
        after_step(m, s, first)
        note_nmi(m, s, s.start * 2 if kind == NMI_FETCH else 0)
        if m.exit_reason == 0:
            m.exit_reason = reason
        if m.exit_reason != 0:
            break
    for k in range(s.waves):
        draw(s, k, m.t)
    write_row(m)
    m.row_count -= 1
    return m.row_count
