"""Lines from card to card: levels, pulses and steady clocks.

A wire of the backplane file joins an output of one card to an input of another.  A
clock is not sent edge by edge to an input that is one (`Card.takes_clock`): the sender
states its period, a ratio of T-states, and one edge, and the receiver counts for itself.
Any other input is told each edge.  The receiver's LINE function is called with the
input's number and the time whenever its source changes; it finds the source with
`source_of` and reads its level in ``m.line_level``.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import LEVEL, LINE_CHANGES, PERIODIC
from emu.native.calls import LINE, call_card
from emu.native.jit import compiled

CLOCKS, EDGES, ALL = 1, 0, 2  # who is told


@compiled
def _tell(m, slot, output, who, when):
    """Call the cards wired to an output: at clock inputs, at others, or at both."""
    for wire in range(m.wire_count):
        if m.wires[wire, 0] == slot and m.wires[wire, 1] == output and (
                who == ALL or m.wires[wire, 4] == who):
            call_card(m, m.wires[wire, 2], LINE, m.wires[wire, 3], when)


@compiled
def _note(m, slot, output, level, when):
    """Note a change for a waveform; without a sampler the list is soon full, and stays so."""
    row = m.line_change_count
    if row < LINE_CHANGES:
        m.line_changes[row, 0] = when
        m.line_changes[row, 1] = slot
        m.line_changes[row, 2] = output
        m.line_changes[row, 3] = level
        m.line_change_count = row + 1


@compiled
def drive_level(m, slot, output, level, when):
    """Set an output line high (1) or low (0)."""
    if m.line_kind[slot, output] == LEVEL and m.line_level[slot, output] == level:
        return
    m.line_kind[slot, output] = LEVEL
    m.line_level[slot, output] = level
    if m.logging == 1:
        _note(m, slot, output, level, when)
    _tell(m, slot, output, np.int64(ALL), when)


@compiled
def drive_edge(m, slot, output, level, when):
    """Show an edge of a steady clock, or of a line that is none, to the inputs that want it."""
    if m.line_level[slot, output] == level:
        return
    m.line_level[slot, output] = level
    if m.logging == 1:
        _note(m, slot, output, level, when)
    steady = m.line_kind[slot, output] == PERIODIC
    _tell(m, slot, output, np.int64(EDGES) if steady else np.int64(ALL), when)


@compiled
def drive_pulse(m, slot, output, when):
    """Give one low-going pulse on a line that rests high."""
    m.line_kind[slot, output] = LEVEL
    m.line_level[slot, output] = 0
    _tell(m, slot, output, np.int64(ALL), when)
    m.line_level[slot, output] = 1
    _tell(m, slot, output, np.int64(ALL), when)


@compiled
def drive_clock(m, slot, output, num, den, t, rem, when):
    """Make an output a steady clock: period num/den, one edge at t + rem/den.

    Whoever drives it tells inputs that are no clocks its edges (`drive_edge`).
    """
    m.line_kind[slot, output] = PERIODIC
    m.line_num[slot, output] = num
    m.line_den[slot, output] = den
    m.line_t[slot, output] = t
    m.line_rem[slot, output] = rem
    _tell(m, slot, output, np.int64(CLOCKS), when)


@compiled
def source_of(m, slot, number):
    """Find what is wired to an input: sending slot * 256 + output, or -1."""
    for wire in range(m.wire_count):
        if m.wires[wire, 2] == slot and m.wires[wire, 3] == number:
            return m.wires[wire, 0] * 256 + m.wires[wire, 1]
    return -1 + 0 * m.wire_count


@compiled
def pulled_low(m, slot, number):
    """Tell whether any of the lines wired to an input is low: where open drains meet."""
    for wire in range(m.wire_count):
        if (m.wires[wire, 2] == slot and m.wires[wire, 3] == number
                and m.line_level[m.wires[wire, 0], m.wires[wire, 1]] == 0):
            return 1
    return 0
