"""The protocol of an SD card in SPI mode, byte by byte and bit by bit.

A byte that has come whole decides what goes out in the next eight clocks.  Bytes are counted
from the fall of CS.
"""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import ask_host
from emu.bus.wires import drive_level
from emu.native.jit import compiled, inlined
from peripherals.sd_card_commands import fetch, perform, stop
from peripherals.sd_card_state import (
    ACCEPTED,
    BAD_CRC,
    BLOCK,
    DATA_DUE,
    ECC_FAILED,
    GIVES,
    PROGRAMS,
    REST,
    START,
    START_MULTIPLE,
    STOP,
    TAKES,
    TOKEN_DUE,
    WP_VIOLATION,
    WRITE_ERROR,
    crc16,
    drop,
    go_busy,
)

DO, CS, CLK, DI = range(4)  # outputs: DO, and the lines at the socket to look at
READ_FAILED = 0x04  # data error token: the card's own error correction failed
STOP_COMMAND = 0x40 | 12


@inlined
def is_bad(s, sector):
    """Tell whether a sector cannot be read."""
    bad = False
    for k in range(s.bads):
        if s.bad[k] == sector:
            bad = True
    return bad


# --- a block ------------------------------------------------------------------------------
@compiled
def end_of_block(m, s, t):
    """See to a block that has come whole from the host; its data response."""
    good = s.crc_on == 0 or s.crc == 0
    s.many &= 1
    m.medium_t = t
    if not good:
        response = np.int64(BAD_CRC)
    elif s.protected == 1:
        response = np.int64(WRITE_ERROR)
        s.second |= WP_VIOLATION
    elif s.sector >= s.total:
        response = np.int64(WRITE_ERROR)
    else:
        response = np.int64(ACCEPTED)
        s.dirty = 1
        s.dirty_at = s.sector
        s.writes += 1
        s.written += 1
        ask_host(m, s.slot)
    if response != ACCEPTED:
        s.failed = response
        s.failed_t = t
    s.sector += 1
    s.queue[0] = response
    s.queued = 1
    s.given = 0
    if response == ACCEPTED:
        s.way = PROGRAMS
        go_busy(m, s, t, s.write_time)
    else:
        s.way = TOKEN_DUE if s.many == 1 else REST


@compiled
def take(m, s, byte, t):
    """Take a byte of a write: a token, or what follows it."""
    if s.way == TOKEN_DUE:
        if byte == (START_MULTIPLE if s.many == 1 else START):
            s.way = TAKES
            s.at = 0
            s.crc = 0
        elif byte == STOP and s.many == 1:
            s.many = 0
            s.queue[0] = 0xFF
            s.queued = 1
            s.given = 0
            s.way = PROGRAMS
            go_busy(m, s, t, s.write_time)
        elif byte != 0xFF:
            if s.tokenless == 0:
                s.tokenless_t = t
            s.tokenless += 1
        return
    if s.at < BLOCK:
        s.buffer[s.at] = byte
    s.crc = crc16(s.crc, byte)  # of the block and its CRC: 0
    s.at += 1
    if s.at == BLOCK + 2:
        end_of_block(m, s, t)


@compiled
def begin_data(s, t):
    """Give the token of a block that is there, or say why there is none."""
    s.waited = 0
    if s.sector >= 0 and is_bad(s, s.sector):
        s.way = REST
        s.many = 0
        s.second |= ECC_FAILED
        s.failed = READ_FAILED
        s.failed_t = t
        return np.int64(READ_FAILED)
    s.way = GIVES
    s.at = 0
    s.crc = 0
    return np.int64(START)


@compiled
def give(m, s, t):
    """Give the next byte of a block, and its CRC behind it."""
    if s.at < s.span:
        byte = np.int64(s.buffer[(s.offset + s.at) & (BLOCK - 1)])
        s.crc = crc16(s.crc, byte)
    elif s.at == s.span:
        byte = s.crc >> 8
    else:
        byte = s.crc & 0xFF
    s.at += 1
    if s.at == s.span + 2:
        m.medium_t = t
        s.way = REST
        if s.sector >= 0:
            s.reads += 1
            if s.many == 1 and s.sector + 1 < s.total:
                fetch(m, s, s.sector + 1, t)
    return byte


@compiled
def next_byte(m, s, t):
    """Give what goes out in the next eight clocks."""
    if s.given < s.queued:
        s.given += 1
        return np.int64(s.queue[s.given - 1])
    if s.way == DATA_DUE and s.busy == 0:
        return begin_data(s, t)
    if s.way == GIVES:
        return give(m, s, t)
    if s.way == PROGRAMS:
        if s.busy == 1:
            s.busy_bytes += 1
            s.busy_seen_t = t
            return np.int64(0)
        s.waited = 0
        s.way = TOKEN_DUE if s.many == 1 else REST
    elif s.way == DATA_DUE:
        s.busy_bytes += 1
        s.busy_seen_t = t
    return np.int64(0xFF)


@compiled
def command_byte(m, s, byte, t):
    """Take a byte where a command may begin or go on."""
    if s.have > 0:
        s.command[s.have] = byte
        s.have += 1
        if s.have < 6:
            return
        if s.many == 1 and s.way != PROGRAMS:
            stop(s, next_byte(m, s, t), t)
        else:
            perform(m, s, t)
        return
    if s.skip > 0:
        s.skip -= 1
        return
    if (byte & 0xC0) != 0x40:
        return
    reading_on = s.many == 1 and (s.way == DATA_DUE or s.way == GIVES) and byte == STOP_COMMAND
    if s.given >= s.queued and s.way == REST or reading_on:
        s.command[0] = byte
        s.have = 1
        return
    if s.swallowed == 0 or s.swallowed_in != s.way:
        s.swallowed_t = t
    s.swallowed += 1
    s.swallowed_in = s.way
    s.swallowed_byte = byte
    s.skip = 5


@compiled
def take_byte(m, s, byte, t):
    """Take a byte that has come whole, and choose the next one to give."""
    s.bus_t = t
    if s.given > s.answers:
        s.awaited = 0
    if s.way == PROGRAMS and s.busy == 0 and s.given >= s.queued:
        s.way = TOKEN_DUE if s.many == 1 else REST
        s.waited = 0
    if s.way == TOKEN_DUE and s.given >= s.queued or s.way == TAKES:
        take(m, s, byte, t)
    else:
        command_byte(m, s, byte, t)
    s.out = next_byte(m, s, t)


# --- the lines ----------------------------------------------------------------------------
@inlined
def level_of_do(s):
    """Give the level of DO: the card's, or what the board makes of a line that nobody drives."""
    return s.do if s.drives == 1 else s.pull_up


@inlined
def put_do(m, s, t):
    """Show DO to what is wired to it."""
    drive_level(m, s.slot, DO, level_of_do(s), t)


@compiled
def select(m, s, level, t):
    """See CS change."""
    s.cs = level
    drive_level(m, s.slot, CS, level, t)
    s.bits = 0
    s.in_shift = 0
    if s.fitted == 0:
        return
    if level == 1:
        if s.awaited == 1:
            if s.unread == 0:
                s.unread_t = t
            s.unread += 1
        if s.way == GIVES:
            s.cut += 1
        drop(s)
        s.releases = 1
    else:
        s.releases = 0
        s.out = 0x7F if s.way == PROGRAMS and s.busy == 1 else 0xFF
        s.drives = s.speaks
        s.do = (s.out >> 7) & 1
        put_do(m, s, t)


@compiled
def clock_up(m, s, t):
    """See CLK rise: the card takes DI."""
    if s.ready == 0 and s.rise_t > 0 and t - s.rise_t < s.slow_t:
        s.fast += 1
    s.rise_t = t
    s.bits += 1
    s.in_shift = (s.in_shift << 1 | s.di) & 0xFF
    if s.cs == 1:
        s.bits &= 7
        if s.releases == 1:
            s.releases = 0
            s.drives = 0
            put_do(m, s, t)
        if s.di == 1:
            s.warm = min(s.warm + 1, np.int64(1 << 20))
        return
    if s.bits == 8:
        s.bits = 0
        if s.fitted == 1:
            take_byte(m, s, s.in_shift, t)
            s.drives = s.speaks
        else:
            if s.empty == 0:
                s.empty_t = t
            s.empty += 1


@compiled
def clock_down(m, s, t):
    """See CLK fall: the card puts its next bit on DO."""
    if s.cs == 1 or s.fitted == 0:
        return
    level = (s.out >> (7 - s.bits)) & 1
    if level != s.do or s.drives != s.speaks:
        s.do = level
        s.drives = s.speaks
        put_do(m, s, t)


@compiled
def set_clock(m, s, level, t):
    """Change CLK."""
    if level == s.clk:
        return
    s.clk = level
    drive_level(m, s.slot, CLK, level, t)
    if level == 1:
        clock_up(m, s, t)
    else:
        clock_down(m, s, t)


@inlined
def set_di(m, s, level, t):
    """Change DI."""
    s.di = level
    drive_level(m, s.slot, DI, level, t)


@compiled
def shift_out(m, s):
    """Shift the eight bits of a byte, each clock at its own time."""
    got = np.int64(0)
    half = s.shift_step // 2
    when = s.shift_from
    for k in range(8):
        set_di(m, s, (s.sent >> (7 - k)) & 1, when)
        got = got << 1 | level_of_do(s)
        set_clock(m, s, np.int64(1), when + half)
        when += s.shift_step
        set_clock(m, s, np.int64(0), when)
    s.received = got
    set_di(m, s, np.int64(1), when)
