"""The record of a WD177x/279x-type floppy controller card, its constants and its pins.

Drives, tracks and units of time are those of the 765-class card (fdc_765_state.py): a unit is
2 us at 250 kbit/s, 1 us at 500; an MFM byte takes 16.
"""
from __future__ import annotations

import numpy as np

from emu.bus.chain import fall_nmi
from emu.bus.state import FAR
from emu.bus.wires import drive_level
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_state import DRIVE, DRIVES, TURN

STATUS, TRACK, SECTOR, DATA, CONTROL = range(5)  # registers
CHIPS = ("1770", "1772", "1793")
WD1770, WD1772, WD1793 = range(3)
NMI_FROM = ("none", "drq", "intrq", "both")
DRQ_LINE, INTRQ_LINE = range(2)  # outputs
LEAST = 64  # T-states until the host has brought a track: longer than any instruction
TURNS = 5  # in which a sector is sought
SPIN_TURNS, IDLE_TURNS = 6, 9  # of the 177x: index pulses until its motor counts, and is off

BUSY, INDEX, LOST, CRC, NOT_FOUND, RECORD, PROTECTED, HIGH = (1 << k for k in range(8))
# What it is about; ONE and so on are the types of the data sheet.
(NO_STAGE, SPINNING, STEPPING, SETTLING, FETCHING, SEARCHING, AWAIT_LOAD, READING, WRITING, TAIL,
 AWAIT_INDEX, READ_WHOLE, WRITE_WHOLE, STUCK) = range(14)
ONE, TWO, THREE = 1, 2, 3

STATE = np.dtype([
    ("slot", np.int64),
    ("drive", DRIVE, (DRIVES,)),
    # --- jumpers -------------------------------------------------------------------------
    ("chip", np.int64), ("one_hot", np.int64), ("side_bit", np.int64), ("density_bit", np.int64),
    ("mfm_level", np.int64), ("motor_bit", np.int64), ("drq_bit", np.int64),
    ("intrq_bit", np.int64), ("wired_int", np.int64), ("nmi_from", np.int64),
    ("unit_num", np.int64, (4,)), ("unit_den", np.int64, (4,)), ("rate", np.int64),
    ("ms_num", np.int64), ("ms_den", np.int64),  # a millisecond in T-states
    ("doubled", np.int64),  # 1: 500 kbit/s, the chip's times are half as long
    # --- registers and pins ----------------------------------------------------------------
    ("track", np.int64), ("sector", np.int64), ("dr", np.int64), ("latch", np.int64),
    ("status", np.int64),  # bits that the command leaves, without those that are live
    ("type_one", np.int64),  # 1: status shows index, track 0, protection
    ("drq", np.int64), ("intrq", np.int64), ("held_intrq", np.int64),
    # --- the command -------------------------------------------------------------------------
    ("command", np.int64), ("kind", np.int64), ("busy", np.int64), ("stage", np.int64),
    ("event_t", np.int64), ("motor_t", np.int64), ("pulse_t", np.int64),
    ("used", np.int64), ("side", np.int64), ("fm", np.int64),
    ("spun_up", np.int64),  # of a 177x: 1: its motor counts as turning
    ("inward", np.int64), ("steps", np.int64),  # direction; pulses of this command
    ("target", np.int64),
    ("base_t", np.int64), ("base_rem", np.int64), ("limit", np.int64),
    ("outcome", np.int64), ("at", np.int64), ("span", np.int64), ("bytes", np.int64),
    ("deleted", np.int64), ("field", np.int64),  # of WRITE TRACK: where the CRC begins
    # --- the track buffer --------------------------------------------------------------------
    ("buf_drive", np.int64), ("buf_track", np.int64),
    ("want_drive", np.int64), ("want_track", np.int64),
    ("buf_fm", np.int64), ("buf_len", np.int64), ("dirty", np.int64),
    ("raw", np.uint8, (TURN,)), ("marks", np.uint8, (TURN,)),
    # --- what happened -------------------------------------------------------------------
    ("end_track", np.int64), ("end_r", np.int64),
    ("commands", np.int64), ("command_t", np.int64),
    ("reads", np.int64), ("writes", np.int64), ("formats", np.int64),
    # commands that went wrong; what they did wrong stands until one of the kind goes well
    ("lost_command", np.int64), ("missed_command", np.int64), ("refused_command", np.int64),
    ("unready_command", np.int64),
    ("losses", np.int64), ("lost_t", np.int64), ("lost_now", np.int64),  # bytes; of this command
    ("patient", np.int64),  # 1: in a copy of the machine, the disk waits for the program
    ("missing", np.int64), ("missing_t", np.int64), ("missing_now", np.int64),  # not found
    ("missed_track", np.int64), ("missed_sector", np.int64), ("missed_at", np.int64),
    ("missed_fm", np.int64), ("missed_ids", np.int64), ("missed_seen", np.int64),
    ("seen_ids", np.int64), ("seen_track", np.int64),
    ("unready", np.int64), ("unready_t", np.int64), ("unready_now", np.int64),
    ("refused", np.int64), ("refused_t", np.int64), ("refused_now", np.int64),
    ("ignored", np.int64), ("ignored_t", np.int64),  # commands that came while it was busy
    ("tight", np.int64),  # the longest that a byte waited, T-states
    ("drq_t", np.int64),
], align=True)


@inlined
def set_event(m, s):
    """Say when something happens next."""
    m.event_t[s.slot] = min(s.event_t, min(s.motor_t, s.pulse_t))


@compiled
def ms(s, count):
    """Give the T-states of a number of milliseconds of the chip's at 250 kbit/s."""
    full = count * s.ms_num // s.ms_den
    return full // 2 if s.doubled == 1 else full


@compiled
def set_drq(m, s, level, t):
    """Raise DRQ or take it back."""
    if level == s.drq:
        return
    s.drq = level
    if level == 1:
        s.drq_t = t
    else:
        s.tight = max(s.tight, t - s.drq_t)
    drive_level(m, s.slot, np.int64(DRQ_LINE), level, t)
    if level == 1 and (s.nmi_from & 1) != 0:
        fall_nmi(m, t)


@compiled
def set_intrq(m, s, level, t):
    """Raise INTRQ or take it back."""
    if level == s.intrq:
        return
    s.intrq = level
    drive_level(m, s.slot, np.int64(INTRQ_LINE), level, t)
    if s.wired_int == 1:
        m.ip[s.slot] = level
        m.irq_dirty = 1
    if level == 1 and (s.nmi_from & 2) != 0:
        fall_nmi(m, t)


@compiled
def finish(m, s, t):
    """End a command: INTRQ, and on a 177x the motor runs on for some turns."""
    s.busy = 0
    s.stage = NO_STAGE
    s.event_t = FAR
    if s.command == s.lost_command and (s.status & LOST) == 0:
        s.lost_now = 0
    set_drq(m, s, np.int64(0), t)
    set_intrq(m, s, np.int64(1), t)
    if s.chip != WD1793:
        d = s.drive[s.used]
        s.motor_t = t + IDLE_TURNS * d.turn_num // d.turn_den
