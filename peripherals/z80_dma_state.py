"""The record of a Z80 DMA, field by field, and the numbers that its bytes are made of."""
from __future__ import annotations

import numpy as np

A, B = 0, 1  # ports

# Modes of WR4.
BYTE, CONTINUOUS, BURST = range(3)
MODES = ("byte at a time", "continuous", "burst", "no mode")

# Bytes that follow a base register byte, in their order there.
(NOTHING, A_LOW, A_HIGH, LENGTH_LOW, LENGTH_HIGH, A_TIMING, B_TIMING, MASK, MATCH, B_LOW, B_HIGH,
 CONTROL, PULSE, VECTOR, READ_MASK) = range(15)
FOLLOW = 4  # at most, behind one byte

# Bits of WR0 (direction and operation), WR3, WR5 and the interrupt control byte.
TRANSFER, SEARCH = 1, 2
FROM_A = 4
STOP_ON_MATCH, INTERRUPTS, ENABLE = 0x04, 0x20, 0x40
READY_HIGH, WAITS, RESTART = 0x08, 0x10, 0x20
ON_MATCH, ON_END, PULSES, AFFECTS, ON_READY = 0x01, 0x02, 0x04, 0x20, 0x40

# What an interrupt was for, as the vector's bits 2-1 show it.
READY_CAUSE, MATCH_CAUSE, END_CAUSE, BOTH_CAUSES = range(4)

STATE = np.dtype([
    ("slot", np.int64),
    # --- as programmed -----------------------------------------------------------------
    ("wr0", np.int64), ("wr3", np.int64), ("wr4", np.int64), ("wr5", np.int64),
    ("io", np.int64, (2,)),  # by port: 1 = I/O
    ("step", np.int64, (2,)),  # 1, -1 or 0
    ("timing", np.int64, (2,)),  # the timing byte, -1: as the CPU
    ("start", np.int64, (2,)),
    ("length", np.int64), ("mask", np.int64), ("match", np.int64),
    ("control", np.int64), ("pulse", np.int64), ("vector", np.int64), ("read_mask", np.int64),
    ("follow", np.int64, (FOLLOW,)), ("follows", np.int64),  # what the next bytes are
    # --- at work -----------------------------------------------------------------------
    ("enabled", np.int64), ("forced", np.int64), ("interrupts", np.int64),
    ("after_reti", np.int64),  # 1: RETI enables it
    ("told", np.int64),  # 1: the interrupt on ready has been made for this ready
    ("address", np.int64, (2,)),
    ("moved", np.int64),  # bytes since the counter was cleared
    ("done", np.int64), ("found", np.int64), ("ended", np.int64),  # status bits D0, D4, D5
    ("cause", np.int64),  # of the interrupt that is pending or under service
    ("asking", np.int64),  # 1: /BUSREQ is low and the CPU has not answered
    ("holding", np.int64),  # 1: it has the bus
    ("holding_t", np.int64),  # since when
    ("look_t", np.int64),  # when it looks at RDY again
    ("reading", np.int64),  # register of the next read, 7: the sequence is over
    ("status_asked", np.int64),  # 1: the next read gives the status
    ("gated", np.int64), ("idle_level", np.int64), ("waitable", np.int64),
    # --- for reports ---------------------------------------------------------------------
    ("bytes", np.int64),  # moved since power-on
    ("loads", np.int64),  # LOAD commands since the start addresses were written
    ("vectors", np.int64),  # vectors written since power-on
    ("enabled_t", np.int64),
    ("ready_t", np.int64),  # when RDY was last seen active, -1: never
    ("blocks", np.int64), ("answers", np.int64),
], align=True)
