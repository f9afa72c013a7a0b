"""The state of a CompactFlash card, its sectors, and the data register.

One sector stands in the card's record; the host loads and stores sectors when it is asked
(emu.bus.cycles.ask_host), while the card is busy.
"""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import ask_host
from emu.bus.state import FAR
from emu.native.jit import compiled, inlined

DRDY, DSC, ERR = 0x40, 0x10, 0x01  # bits of the status register, see compactflash.py
READY = DRDY | DSC
UNC, IDNF, ABRT, DIAGNOSED = 0x40, 0x10, 0x04, 0x01  # the error register
LBA_MODE = 0x40
NIEN = 0x02
BLOCK = 512
LEAST = 64  # T-states of the shortest busy time: longer than any instruction
IDLE, FROM_CARD, TO_CARD = range(3)  # what the data register does
GENERAL = 1 << 30  # transfer of a buffer that is no sector of the medium
BADS = 16  # sectors that can be bad

STATE = np.dtype([
    ("slot", np.int64),
    ("fitted", np.int64), ("protected", np.int64),
    ("inserts", np.int64),  # of the socket, when the card was looked at last
    ("wide", np.int64),  # 1: sixteen data lines, as behind a parallel interface (ppi_ide.py)
    ("held_strobe", np.int64),  # 1: the data register never advances (a fault of the board)
    ("total", np.int64),  # sectors
    ("error", np.int64), ("features", np.int64), ("count", np.int64),
    ("lba0", np.int64), ("lba1", np.int64), ("lba2", np.int64), ("head", np.int64),
    ("control", np.int64),
    ("ended", np.int64),  # status but for BSY and DRQ
    ("eight", np.int64),  # 1: 8-bit mode
    ("heads", np.int64), ("sectors", np.int64),  # of the current translation
    ("multiple", np.int64),  # sectors a block, 0: not set
    ("keeps", np.int64),  # 1: the reset bit leaves these three alone (SET FEATURES 66h)
    ("resting", np.int64),  # 1: standby or sleep
    ("sense", np.int64),  # extended error code of the last command
    ("bad", np.int64, (BADS,)), ("bads", np.int64),  # sectors that cannot be read
    ("way", np.int64),  # IDLE, FROM_CARD, TO_CARD
    ("busy", np.int64),  # 1: BSY
    ("command", np.int64),
    ("at", np.int64),  # byte of the buffer that is next
    ("sector", np.int64),  # of the medium under transfer, GENERAL: a buffer
    ("asked", np.int64), ("left", np.int64),  # sectors, and those to come, with that under way
    ("wanted", np.int64),  # sector to load, -1: none
    ("dirty", np.int64),  # 1: the buffer is to be stored ...
    ("dirty_at", np.int64),  # ... as this sector
    ("buffer", np.uint8, (BLOCK,)), ("identify", np.uint8, (BLOCK,)),
    ("reset_time", np.int64), ("read_time", np.int64), ("write_time", np.int64),  # T-states
    ("busy_polls", np.int64),  # status reads while busy, since it became so
    ("poll_t", np.int64),  # of the last one
    ("waited", np.int64),  # 1: a busy time has begun, and no read has seen its end
    ("lost", np.int64), ("lost_t", np.int64),  # bytes lost for want of the 8-bit mode
    ("repeats", np.int64), ("repeat_t", np.int64),  # data reads that did not advance
    ("early", np.int64), ("early_t", np.int64),  # data accesses while busy
    ("spoiled", np.int64),  # ... of the command under way
    ("hasty", np.int64), ("hasty_t", np.int64),  # command + 1 written while busy, and lost
    ("failed_t", np.int64),  # when a command last ended with an error
    ("commands", np.int64), ("eight_asked", np.int64),  # SET FEATURES 01h so far
    ("reads", np.int64), ("writes", np.int64), ("errors", np.int64),  # sectors; failures
    ("absent_polls", np.int64),  # status reads of an empty socket or of drive 1
    ("absent_t", np.int64),  # the first of these
    ("done_at", np.int64), ("done_t", np.int64),  # the sector that was read last, and when
    ("first", np.uint8, (16,)),  # its first bytes
], align=True)


@inlined
def settle(m, s, asks):
    """Raise INTRQ or take it back."""
    pending = np.int64(1) if asks == 1 and (s.control & NIEN) == 0 else np.int64(0)
    if m.ip[s.slot] != pending:
        m.ip[s.slot] = pending
        m.irq_dirty = 1


@inlined
def go_busy(m, s, t, length):
    """Be busy for a time."""
    s.busy = 1
    s.busy_polls = 0
    s.waited = 1
    m.event_t[s.slot] = t + max(length, LEAST)


@inlined
def signature(s):
    """Put the registers as they are after a reset or a diagnosis."""
    s.error = DIAGNOSED
    s.count = 1
    s.lba0 = 1
    s.lba1 = 0
    s.lba2 = 0
    s.head = 0


@compiled
def start_over(m, s, t):
    """Begin anew after RESET or the reset bit."""
    signature(s)
    if s.keeps == 0:
        s.eight = 0
        s.multiple = 0
    s.resting = 0
    s.sense = 1
    s.spoiled = 0
    s.way = IDLE
    s.command = 0
    s.left = 0
    s.wanted = -1
    s.ended = READY
    settle(m, s, 0)
    go_busy(m, s, t, s.reset_time)


# --- sectors ------------------------------------------------------------------------------
@compiled
def place(s):
    """Give the sector that the registers name, -1 when there is none."""
    if (s.head & LBA_MODE) != 0:
        sector = s.lba0 | s.lba1 << 8 | s.lba2 << 16 | (s.head & 15) << 24
    else:
        head = s.head & 15
        if s.lba0 == 0 or s.lba0 > s.sectors or head >= s.heads:
            return np.int64(-1)
        sector = ((s.lba1 | s.lba2 << 8) * s.heads + head) * s.sectors + s.lba0 - 1
    return sector if sector < s.total else np.int64(-1)


@compiled
def step_on(s):
    """Let the registers name the next sector."""
    if (s.head & LBA_MODE) != 0:
        sector = (s.lba0 | s.lba1 << 8 | s.lba2 << 16 | (s.head & 15) << 24) + 1
        s.lba0 = sector & 0xFF
        s.lba1 = (sector >> 8) & 0xFF
        s.lba2 = (sector >> 16) & 0xFF
        s.head = (s.head & 0xF0) | ((sector >> 24) & 15)
        return
    s.lba0 += 1
    if s.lba0 > s.sectors:
        s.lba0 = 1
        head = (s.head & 15) + 1
        if head >= s.heads:
            head = np.int64(0)
            cylinder = (s.lba1 | s.lba2 << 8) + 1
            s.lba1 = cylinder & 0xFF
            s.lba2 = (cylinder >> 8) & 0xFF
        s.head = (s.head & 0xF0) | head


@inlined
def is_bad(s, sector):
    """Tell whether a sector cannot be read."""
    bad = False
    for k in range(s.bads):
        if s.bad[k] == sector:
            bad = True
    return bad


@compiled
def extended(s, error):
    """Give the extended error code (REQUEST SENSE) of an error; from memory of the CF manual."""
    if error == UNC:
        return np.int64(0x11)
    if error == IDNF:
        return np.int64(0x2F if (s.head & LBA_MODE) != 0 else 0x21)
    return np.int64(0x20) if error != 0 else np.int64(0)


@compiled
def finish(m, s, error, t):
    """End a command at T-state ``t``; ``error`` 0: it went well."""
    s.way = IDLE
    s.busy = 0
    s.left = 0
    m.event_t[s.slot] = FAR
    s.ended = READY | ERR if error != 0 else READY
    s.sense = extended(s, error)
    if error != 0:
        s.error = error
        s.errors += 1
        s.failed_t = t
    settle(m, s, 1)


@inlined
def done(s):
    """Count a sector as done."""
    s.left -= 1
    s.count = (s.count - 1) & 0xFF


@compiled
def seek(m, s, t):
    """Go for the next sector of the medium: load it, or wait for its bytes."""
    s.sector = place(s)
    if s.sector < 0:
        finish(m, s, IDNF, t)
        return
    s.at = 0
    if s.way == FROM_CARD:
        s.wanted = s.sector
        ask_host(m, s.slot)
        go_busy(m, s, t, s.read_time)
    elif s.left == s.asked:
        go_busy(m, s, t, np.int64(LEAST))  # a while until it asks for the first sector
    else:
        s.busy = 0
        m.event_t[s.slot] = FAR


@compiled
def turn_over(m, s, t):
    """See to a buffer that has been moved whole."""
    m.medium_t = t
    if s.way == FROM_CARD:
        s.reads += 1
        if s.sector != GENERAL:
            s.done_at = s.sector
            s.done_t = t
            for k in range(16):
                s.first[k] = s.buffer[k]
            done(s)
        if s.left > 0 and s.sector != GENERAL:
            step_on(s)
            seek(m, s, t)
        else:
            s.way = IDLE
            s.ended = READY
        return
    s.writes += 1
    if s.sector != GENERAL:
        s.dirty = 1
        s.dirty_at = s.sector
        ask_host(m, s.slot)
    go_busy(m, s, t, s.write_time)


@compiled
def move(m, s, value, t):
    """Move one access of the data register; ``value`` is what is written.

    Over sixteen lines it is a whole word, unless the 8-bit mode is on.
    """
    word = s.wide == 1 and s.eight == 0
    if s.busy == 1:
        if s.early == 0:
            s.early_t = t
        s.early += 1
        s.spoiled += 2 if word else 1
    if s.busy == 1 or s.way == IDLE:
        return np.int64(0xFF)
    at = s.at & (BLOCK - 1)
    got = np.int64(s.buffer[at])
    if word:
        got |= np.int64(s.buffer[at + 1]) << 8
    if s.way == TO_CARD:
        s.buffer[at] = value & 0xFF
        if s.eight == 0:
            s.buffer[at + 1] = (value >> 8) & 0xFF if word else np.int64(0xFF)
    if s.held_strobe == 1:
        if s.repeats == 0:
            s.repeat_t = t
        s.repeats += 1
        return got
    s.at += 1
    if s.eight == 0:
        s.at += 1
        if not word:
            if s.lost == 0:
                s.lost_t = t
            s.lost += 1
    if s.at >= BLOCK:
        turn_over(m, s, t)
    return got
