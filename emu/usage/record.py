"""The record that a used machine keeps beside its own: counts by place, and the tree of calls.

Every number is int64 unless said otherwise.  A place is an index into ``phys``.  A function is
a number: that of a label (a symbol of an image), or UNNAMED + the place where it was called.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import PHYSICAL

LABELS = 1 << 15  # symbols that are known to the tree; further ones are left out
UNNAMED = 1 << 16  # functions from here on have no label
NODES = 1 << 14  # of the tree
STACKS, FRAMES = 64, 256  # stacks told apart, and calls open on one of them

# Nodes that are there from the start; their children are what runs.
PROGRAM, INTERRUPTS = 0, 1

# What an opcode does to the flow.
PLAIN, RELATIVE_IF, JUMP_IF, CALL_IF, RETURN_IF, CALLS, RETURNS, LOADS_SP, EXTENDED = range(9)

USAGE = np.dtype([
    ("run", np.int64),  # address of the run loop
    ("flow", np.uint8, (256,)),  # by opcode, see above
    # --- by place ------------------------------------------------------------------------
    ("ran", np.uint32, (PHYSICAL,)),  # how often an instruction that begins here has run
    ("taken", np.uint32, (PHYSICAL,)),  # ... and its condition was met
    ("seen_at", np.uint16, (PHYSICAL,)),  # the 16-bit address at which it ran last
    ("label", np.int32, (PHYSICAL,)),  # the label at or below a place, -1: none
    # --- functions -----------------------------------------------------------------------
    ("labels", np.int64), ("label_place", np.int64, (LABELS,)),  # in order of their places
    ("function_of", np.int64, (LABELS,)),  # the function that a label belongs to
    # --- the tree of calls ---------------------------------------------------------------
    ("nodes", np.int64),
    ("parent", np.int64, (NODES,)), ("function", np.int64, (NODES,)),
    ("first", np.int64, (NODES,)), ("next", np.int64, (NODES,)),  # children, 0: no more
    ("own", np.int64, (NODES,)), ("idle", np.int64, (NODES,)),  # T-states; idle: in HALT
    ("calls", np.int64, (NODES,)),
    # --- stacks --------------------------------------------------------------------------
    ("stacks", np.int64), ("stack", np.int64),  # in use; the one under way
    ("left_sp", np.int64, (STACKS,)),  # SP when it was left
    ("depth", np.int64, (STACKS,)),  # frames open, the base counted
    ("frame_node", np.int64, (STACKS, FRAMES)),
    ("frame_sp", np.int64, (STACKS, FRAMES)),  # where the return address lies
    # --- interrupts off ------------------------------------------------------------------
    ("ei_seen", np.int64),
    ("off_since", np.int64), ("off_pc", np.int64),  # T-state, -1: they are on; what put them off
    ("off_longest", np.int64), ("off_from", np.int64), ("off_to", np.int64), ("off_t", np.int64),
], align=True)


def flow_table() -> np.ndarray:
    """Give what each opcode does to the flow; source: UM0080, the tables of opcodes."""
    table = np.zeros(256, np.uint8)
    table[[0x10, 0x20, 0x28, 0x30, 0x38]] = RELATIVE_IF
    for condition in range(8):
        table[0xC2 | condition << 3] = JUMP_IF
        table[0xC4 | condition << 3] = CALL_IF
        table[0xC0 | condition << 3] = RETURN_IF
        table[0xC7 | condition << 3] = CALLS  # RST
    table[0xCD] = CALLS
    table[0xC9] = RETURNS
    table[[0x31, 0xF9]] = LOADS_SP
    table[[0xED, 0xDD, 0xFD]] = EXTENDED
    return table


def new_usage() -> np.recarray:
    """Make a record of a machine that has not run yet."""
    record = np.zeros(1, USAGE).view(np.recarray)
    u = record[0]
    u.flow[:] = flow_table()
    u.label[:] = -1
    u.nodes = 2
    u.function[:2] = -1
    u.stacks = 1
    u.depth[0] = 1
    u.off_since = -1
    return record
