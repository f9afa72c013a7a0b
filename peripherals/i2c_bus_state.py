"""The state of an I2C bus with a clock, a memory and a sensor on it."""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import inlined
from peripherals.calendar import CALENDAR, next_event

PORT, LINES = range(2)  # ways to reach it
WIRINGS = ("port", "lines")
FREE, ADDRESS, TAKE, GIVE = range(4)  # what the devices make of the bytes
NOBODY, CLOCK, MEMORY, SENSOR = range(4)  # who is spoken to
DEVICES = ("nobody", "the clock", "the memory", "the sensor")
SDA, SCL, SQW = range(3)  # outputs
STUCK = ("none", "sda", "scl", "mid-read")
MOST = 65536  # bytes of the biggest memory
PAGE = 128  # bytes of the biggest page
BLOCK = 512
LEAST = 64  # T-states of the shortest write cycle: longer than any instruction
# Memories: bytes, address bytes, page, bits of the control byte that are address bits.
PARTS = {"24c01": (128, 1, 8, 0), "24c02": (256, 1, 8, 0), "24c04": (512, 1, 16, 1),
         "24c08": (1024, 1, 16, 2), "24c16": (2048, 1, 16, 3), "24c32": (4096, 2, 32, 0),
         "24c64": (8192, 2, 32, 0), "24c128": (16384, 2, 64, 0), "24c256": (32768, 2, 64, 0),
         "24c512": (65536, 2, 128, 0)}

STATE = np.dtype([
    ("slot", np.int64),
    # --- the board -------------------------------------------------------------------
    ("wiring", np.int64), ("sda_bit", np.int64), ("scl_bit", np.int64),
    ("sda_in_bit", np.int64), ("scl_in_bit", np.int64),
    ("pull_level", np.int64),  # of an output that pulls its line low
    ("push", np.int64),  # 1: SDA is driven high too, against whoever pulls it low
    ("stuck", np.int64),  # bits: 1 SDA, 2 SCL held low by a fault
    ("strict", np.int64),  # 1: pulses of SCL that are too short are not seen
    ("high_min", np.int64), ("low_min", np.int64),  # T-states of SCL, by the slowest device
    ("latch", np.int64),
    # --- the lines ---------------------------------------------------------------------
    ("master_sda", np.int64), ("master_scl", np.int64),  # levels that the host asks for
    ("pull", np.int64),  # 1: a device pulls SDA low
    ("sda", np.int64), ("scl", np.int64),
    ("stretch_t", np.int64),  # until then a device holds SCL low, FAR: none does
    ("rise_t", np.int64), ("fall_t", np.int64),
    # --- the transfer --------------------------------------------------------------------
    ("way", np.int64), ("who", np.int64), ("bits", np.int64), ("shift", np.int64),
    ("acked", np.int64),  # the byte under way: by the device, or by the host
    ("given", np.int64),  # the byte that a device gives
    ("place", np.int64),  # bytes behind the address so far
    # --- the clock -----------------------------------------------------------------------
    ("clock_fitted", np.int64), ("calendar", CALENDAR), ("control", np.int64),
    ("ram", np.uint8, (56,)), ("moment", np.uint8, (7,)), ("clock_at", np.int64),
    # --- the memory ----------------------------------------------------------------------
    ("span", np.int64), ("address_bytes", np.int64), ("page", np.int64), ("block_bits", np.int64),
    ("pins", np.int64), ("protected", np.int64), ("inserts", np.int64),
    ("at", np.int64),  # the next byte
    ("page_at", np.int64), ("pending", np.int64),  # the page that is being sent, and its bytes
    ("buffer", np.uint8, (PAGE,)), ("touched", np.uint8, (PAGE,)),
    ("write_t", np.int64), ("write_time", np.int64),  # FAR: no write cycle
    ("memory", np.uint8, (MOST,)),
    ("dirty", np.int64), ("dirty_from", np.int64), ("dirty_to", np.int64),
    # --- the sensor ----------------------------------------------------------------------
    ("sensor", np.int64),  # its address, -1: none
    ("stretch", np.int64), ("sensor_at", np.int64),
    ("gives", np.uint8, (64,)), ("gives_count", np.int64), ("took", np.int64),
    # --- what happened -------------------------------------------------------------------
    ("starts", np.int64), ("start_t", np.int64), ("stops", np.int64),
    ("addressed", np.int64), ("addressed_t", np.int64),  # the last address byte
    ("refused", np.int64), ("refused_t", np.int64),  # 1: nobody acknowledged it
    ("refusals", np.int64),
    ("busy_refusals", np.int64), ("busy_t", np.int64),  # of a memory in its write cycle
    ("asking", np.int64),  # 1: the last address was refused by one
    ("given_up", np.int64),  # how often the host then turned to somebody else
    ("low_reads", np.int64),  # of SDA, low though the host lets both lines go, since the last clock
    ("lost_starts", np.int64), ("lost_t", np.int64),  # SDA low already; since a START or STOP
    ("lost_clocks", np.int64), ("clock_lost_t", np.int64),  # SCL never rose: it was stretched
    ("short", np.int64), ("short_t", np.int64),  # pulses of SCL that were too short
    ("fights", np.int64), ("fight_t", np.int64),  # SDA was driven high against a device
    ("together", np.int64),  # both lines changed in one write
    ("astray", np.int64),  # START or STOP in the middle of a byte
    ("wrapped", np.int64),  # page writes that went over the end of their page
    ("dropped", np.int64),  # bytes for the memory that no STOP followed
    ("writes", np.int64), ("reads", np.int64), ("any_address", np.int64),
], align=True)


@inlined
def settle(m, s):
    """Say when something happens next."""
    soonest = min(s.stretch_t, s.write_t)
    if s.clock_fitted == 1:
        soonest = min(soonest, next_event(s.calendar))
    m.event_t[s.slot] = min(soonest, np.int64(FAR))
