"""The shadow's record: what is known of every byte of memory, and the list of anomalies.

Every number is int64 unless said otherwise.  A byte is known by its place in ``phys``.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import PAGES, PHYSICAL, SLOTS
from emu.chronicle.flow_table import FLOW, ROWS

ANOMALIES = 1024  # rows that are kept: the first of each kind and place
FRAMES = 96  # interrupts whose end has not been seen

# Bits of a byte's state.
WRITTEN = 1  # by the program, or it stood there at power-on (ROM, a file loaded into RAM)
NOISE = 2  # its value comes from RAM that nobody had written
EXECUTED = 4
STORED = 8  # written by the program, not by a push
RETURN = 16  # half of a return address, as a call pushed it
ENTERED = 32  # half of a return address, as an interrupt pushed it
PUSHED = 64  # pushed as data
VECTOR = 128  # a mode-2 pointer was read here
BEGINS = 256  # an instruction that ran begins here
EXCHANGED = 512  # how a byte is written, no bit of its state: what it held stays what it is

# Kinds of anomaly.
(NOISE_READ, NOISE_BRANCH, NOISE_ADDRESS, NOISE_JUMP, NOISE_OUT, NOISE_CODE, EMPTY_CODE,
 EMPTY_READ, EMPTY_WRITE, ROM_WRITE, CODE_WRITE, CODE_PUSH, VECTOR_WRITE, RETURN_WRITE,
 RETURN_STRANGE, PUSH_LOST, PUSH_OVER_DATA, RESTART, FF_EXECUTED, PAGE_UNDER_PC, PAGE_UNDER_SP,
 PORT_EMPTY_READ, PORT_EMPTY_WRITE, ACK_EMPTY, ACK_CONFLICT, REGISTER_LOST, PAGE_LOST,
 RETURN_NOT_RETI, INTERRUPTS_OFF, REQUEST_WAITS, VECTOR_ODD, HANDLER_NOISE, RAM_CHANGED,
 HANDLER_AGAIN) = range(34)
KINDS = 34

SHADOW = np.dtype([
    ("run", np.int64),  # address of the run loop
    ("flow", FLOW, (ROWS,)),
    ("byte", np.uint16, (PHYSICAL,)),  # bits, see above
    ("value", np.uint8, (PHYSICAL,)),  # as it was written last
    ("writer_pc", np.uint16, (PHYSICAL,)), ("writer_t", np.int64, (PHYSICAL,)),
    ("reader_t", np.int64, (PHYSICAL,)),  # when it was read as data last
    # whose stack: the place that SP pointed at, -1 for none
    ("writer_stack", np.int32, (PHYSICAL,)), ("reader_stack", np.int32, (PHYSICAL,)),
    ("noise", np.int64),  # bits of places that hold noise
    ("map", np.int64, (PAGES,)), ("write_map", np.int64, (PAGES,)),  # as of the last access
    ("block", np.int64, (256,)), ("write_block", np.int64, (256,)),  # places of 256 bytes each, in
    # pages that cards hold only a part of, as they lay at power-on
    ("last_pc", np.int64), ("last_t", np.int64),  # the instruction run last
    # --- stacks and interrupts -----------------------------------------------------------
    ("frames", np.int64),  # rows in use below
    ("frame_at", np.int64, (FRAMES,)),  # place in phys of the return address's low byte
    ("frame_sp", np.int64, (FRAMES,)), ("frame_t", np.int64, (FRAMES,)),
    ("frame_slot", np.int64, (FRAMES,)),  # slot, -1 an NMI, -2 nobody answered
    ("frame_vector", np.int64, (FRAMES,)), ("frame_handler", np.int64, (FRAMES,)),
    ("frame_pc", np.int64, (FRAMES,)), ("frame_reti", np.int64, (FRAMES,)),
    ("frame_r", np.int64, (FRAMES, 12)), ("frame_alt", np.int64, (FRAMES, 8)),
    ("frame_map", np.int64, (FRAMES, PAGES)),
    ("off_since", np.int64), ("off_pc", np.int64), ("off_next", np.int64),  # since when, by what
    ("off_limit", np.int64),  # T-states after which that is told
    ("ei_seen", np.int64),  # 1: interrupts were on at some time
    ("asked_since", np.int64, (SLOTS,)),
    ("entries", np.int64, (SLOTS,)), ("ends", np.int64, (SLOTS,)),  # interrupts of a slot
    # --- the list ------------------------------------------------------------------------
    ("count", np.int64),
    ("total", np.int64, (KINDS,)),  # by kind, all of them
    ("row", np.int64, (ANOMALIES, 8)),  # kind, t, pc, a, b, count, last t, key
    ("last_row", np.int64, (KINDS,)),  # by kind: the row met last
    ("look_t", np.int64),  # when requests are looked at again
], align=True)


def new_shadow() -> np.recarray:
    """Make a shadow, all zero."""
    return np.zeros(1, SHADOW).view(np.recarray)
