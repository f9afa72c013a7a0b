"""The 765-class controller card's record, its constants and its units of time.

A unit is 8 periods of the chip's clock: 1 us with the 8 MHz of 500 kbit/s, 2 us with the
4 MHz of 250 kbit/s.  All of the chip's own times are whole numbers of units: an MFM byte
takes 16, an FM byte 32, a step of the step rate 1000 (8272 description, command table).
"""
from __future__ import annotations

import numpy as np

from emu.native.jit import inlined

DRIVES = 4
TURN = 12_800  # bytes of one turn that the track buffer holds: 500 kbit/s at 300 rpm is 12,500
STATUS, DATA, OUTPUT, RATE, TC_PORT, DACK = range(6)  # registers
INT_OUTPUT, DRQ_OUTPUT = range(2)
TC_INPUT = 0

# Phases, and the stages of the execution phase.
IDLE, COMMAND, EXECUTION, RESULT = range(4)
(NO_STAGE, STEPPING, FETCHING, SEARCHING, AT_DATA, TRANSFER, TAIL, AWAIT_INDEX, FORMATTING,
 LAST_GAP, STUCK) = range(11)

BYTE_INT, RESULT_INT = 1, 2

# Main status register
RQM, DIO, NDM, CB = 0x80, 0x40, 0x20, 0x10
# Status registers 0 to 3
ABNORMAL, INVALID, READY_CHANGE = 0x40, 0x80, 0xC0
SEEK_END, EQUIPMENT, NOT_READY, HEAD = 0x20, 0x10, 0x08, 0x04
END_OF_CYLINDER, DATA_ERROR, OVERRUN, NO_DATA, NOT_WRITABLE, NO_MARK = (
    0x80, 0x20, 0x10, 0x04, 0x02, 0x01)
CONTROL_MARK, BAD_DATA, WRONG_CYLINDER, SCAN_EQUAL, SCAN_UNMET, BAD_CYLINDER, NO_DATA_MARK = (
    0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01)
WRITE_PROTECTED, DRIVE_READY, TRACK_0, TWO_SIDED = 0x40, 0x20, 0x10, 0x08

# Commands: the low five bits of the first byte.
READ_TRACK, SPECIFY, SENSE_DRIVE, WRITE_DATA, READ_DATA, RECALIBRATE, SENSE_INTERRUPT = (
    0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08)
WRITE_DELETED, READ_ID, READ_DELETED, FORMAT, SEEK, VERSION = (
    0x09, 0x0A, 0x0C, 0x0D, 0x0F, 0x10)
SCAN_EQ, SCAN_LOW, SCAN_HIGH = 0x11, 0x19, 0x1D

# Units
MFM_BYTE, FM_BYTE = 16, 32
BYTE_PAUSE = 12  # RQM is low after a byte of command or result; from memory
READ_LIMIT_MFM, READ_LIMIT_FM = 13, 27  # RQM to the data being read
WRITE_LIMIT_MFM, WRITE_LIMIT_FM = 15, 31
STEP_UNIT, UNLOAD_UNIT, LOAD_UNIT = 1000, 16_000, 2000
FIRST_POLL = 1024  # reset to the first look at the ready lines; from memory
PULSES, FIFO_PULSES = 77, 79  # step pulses of a recalibrate, on the part with a FIFO

# What the time goes to (``spent``)
MOTOR, SEEKING, ROTATION, MOVING, CPU_WAIT, UNUSED = range(6)

DRIVE = np.dtype([
    ("fitted", np.int64), ("disk", np.int64), ("protected", np.int64),
    ("wide_head", np.int64),  # 1: a 5.25 inch drive, which 48 tpi disks fit in
    ("wide", np.int64),  # 1: 48 tpi disk in a 96 tpi drive, a track on each second step
    ("seen", np.int64),  # the bay's count of inserts that the card has noticed
    ("changed", np.int64),  # the disk-change latch
    ("tracks", np.int64), ("sides", np.int64),
    ("spin", np.int64), ("settle", np.int64), ("min_step", np.int64),  # T-states
    ("turn_num", np.int64), ("turn_den", np.int64),  # T-states a turn
    ("motor", np.int64),
    ("spun_t", np.int64),  # when it turns at full speed, FAR: off
    ("off_t", np.int64),  # when the motor was turned off
    ("phase", np.int64),  # T-states since the index when it stopped
    ("index_t", np.int64), ("index_rem", np.int64),  # an index pulse: index_t + rem/turn_den
    ("position", np.int64),  # the cylinder under the head
    ("stepped_t", np.int64),  # when the last step pulse came
    ("lost_steps", np.int64), ("steps", np.int64),
    # the chip's side of drive n
    ("pcn", np.int64),  # present cylinder number, as the chip believes
    ("target", np.int64),
    ("pulses", np.int64),  # left in a recalibrate; -1: a seek
    ("step_t", np.int64),  # the next pulse, or the end; FAR: no seek
    ("seek_t", np.int64), ("pulsed", np.int64),  # when the seek began, pulses since
    ("ended", np.int64),  # ST0 of a seek that waits for sense interrupt, or 0
    ("head", np.int64),  # 1: the seek came with the head's bit set
    ("ready", np.int64),  # RDY as last polled
    ("ready_event", np.int64),  # 1: a change waits for sense interrupt
    ("loaded_t", np.int64),  # until when the head stays loaded
], align=True)

STATE = np.dtype([
    ("slot", np.int64),
    ("drive", DRIVE, (DRIVES,)),
    # jumpers
    ("version_b", np.int64), ("has_fifo", np.int64),
    ("busy_until_sensed", np.int64),  # 1: a drive's busy bit falls with sense interrupt
    ("wired_int", np.int64), ("wired_nmi", np.int64),
    ("watched", np.int64),  # 1: somebody sees INT, so each byte of a transfer is an event
    ("tc_from", np.int64),  # 0 nowhere, 1 the port, 2 the wire
    ("tc_level", np.int64),  # of the wire
    ("tc_gated", np.int64),  # 1: it counts only while DACK is low,
    ("dack_t", np.int64),  # which it was last in this T-state
    ("tc_missed", np.int64),  # rises of the wire in execution while DACK was high
    ("ready_tied", np.int64), ("has_change", np.int64), ("select_by_chip", np.int64),
    ("fixed_rate", np.int64),  # -1: the register counts
    ("output_reset", np.int64),
    ("unit_num", np.int64, (4,)), ("unit_den", np.int64, (4,)),  # T-states a unit, by rate
    # registers
    ("output", np.int64), ("rate", np.int64),
    ("step_rate", np.int64), ("unload", np.int64), ("load", np.int64),  # units, from SPECIFY
    ("no_dma", np.int64), ("specified", np.int64),
    ("specify_1", np.int64), ("specify_2", np.int64), ("last_eot", np.int64),
    ("config", np.int64), ("precompensate", np.int64), ("locked", np.int64),  # CONFIGURE, LOCK
    ("has_dma", np.int64),  # 1: DRQ and DACK are wired
    ("drq", np.int64), ("drq_t", np.int64),  # a byte is asked for; when it will be, FAR: not
    ("int_pin", np.int64),
    ("int_cause", np.int64),  # BYTE_INT and RESULT_INT; the drives have causes of their own
    # the chip
    ("phase", np.int64), ("stage", np.int64),
    ("msr", np.int64),  # the main status register without RQM
    ("ready_t", np.int64),  # RQM is 1 from here on
    ("last_byte", np.int64),  # what the data register gave last
    ("event_t", np.int64),  # what the stage has due
    ("int_t", np.int64),  # when a byte raises INT
    ("poll_t", np.int64),  # when the ready lines are looked at next
    ("command", np.uint8, (9,)), ("length", np.int64), ("taken", np.int64),
    ("result", np.uint8, (10,)), ("results", np.int64), ("given", np.int64),
    ("st0", np.int64), ("st1", np.int64), ("st2", np.int64),
    ("op", np.int64), ("unit_drive", np.int64),  # number in the command
    ("used", np.int64),  # the drive that the wiring selects
    ("c", np.int64), ("h", np.int64), ("r", np.int64), ("n", np.int64),
    ("side", np.int64), ("fm", np.int64), ("wanted_bytes", np.int64), ("span", np.int64),
    ("tc", np.int64),  # terminal count has come
    ("start_t", np.int64),  # when the search began
    ("base_t", np.int64), ("base_rem", np.int64),  # the index that positions count from
    ("at", np.int64),  # position of the field under way: its first data byte
    ("outcome", np.int64),  # of a search: position of the ID, or -1
    ("found_st1", np.int64), ("found_st2", np.int64),
    ("skip", np.int64),  # 1: the sector is passed over
    ("bytes", np.int64),  # moved of this field
    ("met", np.int64), ("equal", np.int64),  # a scan's comparison so far
    ("sectors", np.int64),  # done by this command
    ("order", np.int64),  # FORMAT: bytes of this ID that have come
    ("limit", np.int64),  # position where writing stops
    # the track buffer
    ("buf_drive", np.int64), ("buf_track", np.int64),  # -1: empty
    ("want_drive", np.int64), ("want_track", np.int64),  # -1: nothing is asked for
    ("buf_fm", np.int64), ("buf_len", np.int64), ("dirty", np.int64),
    ("raw", np.uint8, (TURN,)), ("marks", np.uint8, (TURN,)),
    # what happened, for the report
    ("spent", np.int64, (6,)), ("doing", np.int64), ("doing_t", np.int64),
    ("end_t", np.int64), ("end_track", np.int64), ("end_r", np.int64),  # the last sector done
    ("pairs", np.int64), ("missed", np.int64),  # sectors in order; those that lost a turn
    ("gap_max", np.int64),  # longest time between them, T-states
    ("pitch", np.int64),  # ID to ID, T-states
    ("slack", np.int64),  # a sector's end to the next ID, T-states
    ("reads", np.int64), ("writes", np.int64), ("formats", np.int64), ("seeks", np.int64),
    ("cut", np.int64), ("cut_t", np.int64),  # given up while the motor gained speed
    ("overruns", np.int64), ("overrun_pc", np.int64), ("overrun_t", np.int64),  # the last
    # the byte that was moved with the least to spare: T-states taken, and allowed (0: none yet)
    ("tight", np.int64), ("tight_limit", np.int64),
    ("no_tc", np.int64), ("early", np.int64),
    ("head_sent", np.int64),  # 1: that bit comes back in ST0
    ("headed", np.int64),  # seeks of an early part that ended with it
    ("unsensed", np.int64), ("unreadable", np.int64), ("refused", np.int64),
], align=True)


@inlined
def units(s, count):
    """Give T-states of a number of units at the present rate."""
    return count * s.unit_num[s.rate] // s.unit_den[s.rate]


@inlined
def turn_units(s, d):
    """Give a turn of drive ``d`` in units at the present rate."""
    return (d.turn_num * s.unit_den[s.rate]) // (d.turn_den * s.unit_num[s.rate])
