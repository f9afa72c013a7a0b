"""Numbers of the lines whose edges are noted, and the list in which they are."""
from __future__ import annotations

from emu.bus.state import OUTPUTS, SLOTS
from emu.native.jit import inlined

EDGES = 1 << 14  # edges in the sampler's list
FEW = 1 << 11  # more than a step can make

LINE_INT, LINE_NMI, LINE_IEI, LINE_IEO = 0, 1, 2, 2 + SLOTS
LINE_OUTPUT = 2 + 2 * SLOTS  # + slot * OUTPUTS + output
LINE_WAVE = LINE_OUTPUT + SLOTS * OUTPUTS  # + number of a serial wave, see emu/logs/waves.py
WAVES = 4 * SLOTS
LINES = LINE_WAVE + WAVES


@inlined
def edge(s, when, line, level):
    """Add an edge; the list has room, see sampler.sample."""
    s.edge[s.edges, 0] = when
    s.edge[s.edges, 1] = line
    s.edge[s.edges, 2] = level
    s.edges += 1
