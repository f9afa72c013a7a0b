"""The command and result phases: bytes in, what they start, bytes out.

Commands and their lengths: command table of the 8272 description.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_chip import (
    drop_drq,
    from_disk,
    give_results,
    go_idle,
    seeking,
    show_int,
)
from peripherals.fdc_765_drive import status_3
from peripherals.fdc_765_fifo import (
    CONFIGURE,
    DUMP_REGISTERS,
    IMPLIED_SEEK,
    LOCK,
    PERPENDICULAR,
    configure,
    dump,
    lock,
)
from peripherals.fdc_765_format import format_byte
from peripherals.fdc_765_search import begin
from peripherals.fdc_765_seek import SEEK_PULSES, start_seek, take_interrupt
from peripherals.fdc_765_state import (
    BYTE_PAUSE,
    COMMAND,
    DRIVES,
    EXECUTION,
    FIFO_PULSES,
    FORMAT,
    FORMATTING,
    IDLE,
    INVALID,
    LOAD_UNIT,
    PULSES,
    READ_DATA,
    READ_DELETED,
    READ_ID,
    READ_TRACK,
    RECALIBRATE,
    RESULT,
    RESULT_INT,
    SCAN_EQ,
    SCAN_HIGH,
    SCAN_LOW,
    SEEK,
    SENSE_DRIVE,
    SENSE_INTERRUPT,
    SPECIFY,
    STEP_UNIT,
    STEPPING,
    TAIL,
    TRANSFER,
    UNLOAD_UNIT,
    VERSION,
    WRITE_DATA,
    WRITE_DELETED,
    units,
)
from peripherals.fdc_765_transfer import give_byte, take_byte

RUN = 0x04  # of the output register
MFM = 0x40
OPCODE = 0x1F
RELATIVE, INWARD = 0x80, 0x40  # bits of a relative seek


@inlined
def moves_sectors(op):
    """Tell whether a command takes nine bytes and works on sectors."""
    return (op == READ_DATA or op == WRITE_DATA or op == READ_DELETED or op == WRITE_DELETED
            or op == READ_TRACK or op == SCAN_EQ or op == SCAN_LOW or op == SCAN_HIGH)


@inlined
def command_length(op, has_fifo):
    """Give the bytes of a command; those that the chip does not know have one."""
    if moves_sectors(op):
        return np.int64(9)
    if op == FORMAT:
        return np.int64(6)
    if op == SPECIFY or op == SEEK:
        return np.int64(3)
    if has_fifo == 1 and op == CONFIGURE:
        return np.int64(4)
    if has_fifo == 1 and op == PERPENDICULAR:
        return np.int64(2)
    if op == SENSE_DRIVE or op == RECALIBRATE or op == READ_ID:
        return np.int64(2)
    return np.int64(1)


# --- bytes in -----------------------------------------------------------------------------
@compiled
def write_data(m, s, byte, t):
    """Take a byte at the data register; one that nothing asks for is lost."""
    if (s.output & RUN) == 0 or t < s.ready_t:
        s.early += 1
        return
    if s.phase == EXECUTION:
        if s.stage == FORMATTING:
            format_byte(m, s, byte, t)
        elif s.stage == TRANSFER and not from_disk(s):
            give_byte(m, s, byte, t)
        else:
            s.early += 1
        return
    if s.phase == RESULT:
        s.early += 1
        return
    take_command(m, s, byte, t)


@compiled
def move_by_dma(m, s, byte, t):
    """Move a byte while DACK is low: the one that DRQ asks for, or none (-1).

    ``byte`` is what is written, -1 in a read.
    """
    if s.drq == 0 or s.phase != EXECUTION or (byte < 0) != from_disk(s):
        s.early += 1
        return np.int64(-1)
    drop_drq(m, s, t)
    if s.stage == FORMATTING:
        format_byte(m, s, byte, t)
    elif s.stage == TRANSFER and byte >= 0:
        give_byte(m, s, byte, t)
    elif s.stage == TRANSFER:
        return np.int64(take_byte(m, s, t))
    return np.int64(-1)


@compiled
def take_command(m, s, byte, t):
    """Take the next byte of a command, and start it behind its last."""
    s.command[s.taken] = byte
    s.taken += 1
    s.ready_t = t + units(s, np.int64(BYTE_PAUSE))
    if s.phase == IDLE:
        s.phase = COMMAND
        s.op = byte & OPCODE
        s.length = command_length(s.op, s.has_fifo)
        if must_sense(s):
            s.unsensed += 1
            s.op = 0
            s.length = 1
    if s.taken == s.length:
        run_command(m, s, t)


@compiled
def must_sense(s):
    """Tell whether a command is refused: after a seek's end only SENSE INTERRUPT is valid."""
    if s.op == SENSE_INTERRUPT:
        return False
    for number in range(DRIVES):
        if s.drive[number].ended != 0:
            return True
    return seeking(s) and (moves_sectors(s.op) or s.op == READ_ID or s.op == FORMAT)


@compiled
def invalid(m, s, t):
    """Answer 80h; no INT."""
    s.result[0] = INVALID
    give_results(m, s, np.int64(1), s.ready_t)


@compiled
def run_command(m, s, t):
    """Do what a whole command asks for."""
    s.unit_drive = np.int64(s.command[1]) & 3
    if moves_sectors(s.op):
        set_sector(s)
        if s.has_fifo == 1 and (s.config & IMPLIED_SEEK) != 0:
            seek_first(m, s, t)
        else:
            begin(m, s, t)
    elif s.op == READ_ID or s.op == FORMAT:
        s.side = (np.int64(s.command[1]) >> 2) & 1
        s.fm = 0 if (s.command[0] & MFM) != 0 else 1
        s.span = np.int64(128) << (np.int64(s.command[2]) & 7)
        s.c = s.h = s.r = s.n = 0
        begin(m, s, t)
    elif s.op == SPECIFY:
        specify(s)
        go_idle(m, s, t)
    elif s.op == SEEK:
        go_idle(m, s, t)
        start_seek(m, s, s.unit_drive, seek_target(s), np.int64(SEEK_PULSES), t)
    elif s.op == RECALIBRATE:
        go_idle(m, s, t)
        start_seek(m, s, s.unit_drive, np.int64(0), pulses(s), t)
    elif s.op == SENSE_DRIVE:
        s.result[0] = status_3(s, s.unit_drive, (np.int64(s.command[1]) >> 2) & 1, t)
        give_results(m, s, np.int64(1), s.ready_t)
    elif s.op == SENSE_INTERRUPT:
        sense_interrupt(m, s, t)
    elif s.op == VERSION and s.version_b == 1:
        s.result[0] = 0x90
        give_results(m, s, np.int64(1), s.ready_t)
    elif s.has_fifo == 1:
        run_fifo_command(m, s, t)
    else:
        invalid(m, s, t)


@inlined
def pulses(s):
    """Give the step pulses of a recalibrate."""
    return np.int64(FIFO_PULSES) if s.has_fifo == 1 else np.int64(PULSES)


@compiled
def seek_target(s):
    """Give where a seek goes; the part with a FIFO also seeks from where it stands."""
    target = np.int64(s.command[2])
    if s.has_fifo == 0 or (s.command[0] & RELATIVE) == 0:
        return target
    here = s.drive[s.unit_drive].pcn
    return (here + target if (s.command[0] & INWARD) != 0 else here - target) & 0xFF


@compiled
def seek_first(m, s, t):
    """Seek to the cylinder of a command on sectors before it begins."""
    if s.drive[s.unit_drive].pcn == s.c:
        begin(m, s, t)
        return
    s.phase = EXECUTION
    s.stage = STEPPING
    s.ready_t = FAR
    s.event_t = FAR
    start_seek(m, s, s.unit_drive, s.c, np.int64(SEEK_PULSES), t)


@compiled
def run_fifo_command(m, s, t):
    """Do what the part with a FIFO knows beside the older commands."""
    if s.op == CONFIGURE or s.op == PERPENDICULAR:
        if s.op == CONFIGURE:
            configure(s)
        go_idle(m, s, t)
    elif s.op == LOCK:
        s.result[0] = lock(s)
        give_results(m, s, np.int64(1), s.ready_t)
    elif s.op == DUMP_REGISTERS:
        dump(s)
        give_results(m, s, np.int64(10), s.ready_t)
    else:
        invalid(m, s, t)


@compiled
def set_sector(s):
    """Take over the parameters of a command on sectors."""
    s.side = (np.int64(s.command[1]) >> 2) & 1
    s.fm = 0 if (s.command[0] & MFM) != 0 else 1
    s.c = np.int64(s.command[2])
    s.h = np.int64(s.command[3])
    s.r = np.int64(s.command[4])
    s.n = np.int64(s.command[5])
    s.span = np.int64(128) << (s.n & 7)
    s.last_eot = np.int64(s.command[6])
    s.wanted_bytes = s.span
    if s.n == 0 and 0 < s.command[8] < 128:
        s.wanted_bytes = np.int64(s.command[8])


@compiled
def specify(s):
    """Set the chip's times and whether it works without DMA."""
    s.specified = 1
    s.specify_1 = np.int64(s.command[1])
    s.specify_2 = np.int64(s.command[2])
    s.step_rate = (16 - (np.int64(s.command[1]) >> 4)) * STEP_UNIT
    unload = np.int64(s.command[1]) & 15
    load = np.int64(s.command[2]) >> 1
    s.unload = (unload if unload != 0 else np.int64(16)) * UNLOAD_UNIT
    s.load = (load if load != 0 else np.int64(128)) * LOAD_UNIT
    s.no_dma = np.int64(s.command[2]) & 1


@compiled
def sense_interrupt(m, s, t):
    """Tell what ended; with nothing to tell the command is invalid."""
    code = take_interrupt(s)
    if code < 0:
        invalid(m, s, t)
        return
    s.result[0] = code & 0xFF
    s.result[1] = code >> 8
    give_results(m, s, np.int64(2), s.ready_t)
    show_int(m, s, t)


# --- bytes out ----------------------------------------------------------------------------
@compiled
def read_data(m, s, t):
    """Give a byte at the data register; without RQM it is the last one again."""
    if (s.output & RUN) == 0 or t < s.ready_t:
        s.early += 1
        return np.int64(s.last_byte)
    if s.phase == RESULT:
        s.last_byte = np.int64(s.result[s.given])
        s.given += 1
        s.ready_t = t + units(s, np.int64(BYTE_PAUSE))
        s.int_cause &= ~RESULT_INT
        if s.given == s.results:
            go_idle(m, s, t)
        show_int(m, s, t)
    elif s.phase == EXECUTION and (s.stage == TRANSFER or s.stage == TAIL) and from_disk(s):
        s.last_byte = take_byte(m, s, t)
    else:
        s.early += 1
    return s.last_byte
