"""The commands of an SD card in SPI mode: what each answers, and what it begins."""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import ask_host
from emu.native.jit import compiled, inlined
from peripherals.sd_card_state import (
    ADDRESS,
    APP,
    BLOCK,
    CRC_ERROR,
    DATA_DUE,
    ILLEGAL,
    IN_IDLE,
    LEAST,
    MMC,
    OUT_OF_RANGE,
    PARAMETER,
    PROGRAMS,
    REST,
    SDHC,
    SDSC_1,
    SEQUENCE,
    TOKEN_DUE,
    answer,
    crc7,
    go_busy,
    more,
    unpowered,
)


@inlined
def r1(s):
    """Give R1 of a command that is taken."""
    return np.int64(0) if s.ready == 1 else np.int64(IN_IDLE)


@compiled
def refuse(s, bits, t):
    """Answer a command with an error."""
    s.refusals += 1
    s.refused = s.last
    s.refused_argument = s.argument
    s.refused_r1 = r1(s) | bits
    s.refused_t = t
    s.refused_now = 1
    answer(s, s.refused_r1)


@compiled
def start_up(m, s, t, high_capacity):
    """Answer one of the commands that start the card (ACMD41, CMD1)."""
    if s.starting == 0:
        s.starting = 1
        if s.kind == SDHC and (high_capacity == 0 or s.voltage == 0):
            s.sleeps = 1
        else:
            go_busy(m, s, t, s.init_time)
    if s.sleeps == 0 and s.busy == 0:
        s.ready = 1
        s.waited = 0
    else:
        s.idle_answers += 1
        s.idle_t = t
    answer(s, r1(s))


@inlined
def fetch(m, s, sector, t):
    """Ask for a sector; its token comes when it is there."""
    s.sector = sector
    s.wanted = sector
    s.way = DATA_DUE
    ask_host(m, s.slot)
    go_busy(m, s, t, s.read_time)


@inlined
def give_register(m, s, size, t):
    """Give a register that stands in the buffer."""
    s.sector = -1
    s.offset = 0
    s.span = size
    s.way = DATA_DUE
    answer(s, r1(s))
    go_busy(m, s, t, np.int64(LEAST))


@compiled
def sector_of(s, argument):
    """Give the sector of an address; -ADDRESS or -PARAMETER when it is none."""
    if s.kind == SDHC:
        sector = argument
        if argument > 0 and argument % BLOCK == 0:
            s.far += 1
    else:
        sector = argument // BLOCK
        if argument % BLOCK + s.length > BLOCK:
            return np.int64(-ADDRESS)
    return sector if sector < s.total else np.int64(-PARAMETER)


@compiled
def transfer(m, s, n, t):
    """Begin to read (CMD17, CMD18) or to write (CMD24, CMD25)."""
    writes = n == 24 or n == 25
    if writes and s.length != BLOCK and s.kind != SDHC:
        refuse(s, np.int64(PARAMETER), t)
        return
    sector = sector_of(s, s.argument)
    if sector < 0:
        if sector == -PARAMETER:
            s.second |= OUT_OF_RANGE
        refuse(s, -sector, t)
        return
    s.many = 1 if n == 18 or n == 25 else 0
    answer(s, r1(s))
    s.span = np.int64(BLOCK)
    s.offset = 0
    if writes:
        s.sector = sector
        s.way = TOKEN_DUE
        s.written = 0
        return
    if s.kind != SDHC:
        s.span = s.length
        s.offset = s.argument % BLOCK
    fetch(m, s, sector, t)


@compiled
def erase(m, s, n, t):
    """Take the ends of an erasure (CMD32, CMD33), or make it (CMD38)."""
    if n != 38:
        sector = s.argument if s.kind == SDHC else s.argument // BLOCK
        if sector >= s.total:
            refuse(s, np.int64(PARAMETER), t)
            return
        if n == 32:
            s.erase_from = sector
            s.erase_to = -1
        elif s.erase_from < 0:
            refuse(s, np.int64(SEQUENCE), t)
            return
        else:
            s.erase_to = sector
        answer(s, r1(s))
    elif s.erase_from < 0 or s.erase_to < s.erase_from:
        refuse(s, np.int64(SEQUENCE), t)
    else:
        answer(s, r1(s))
        if s.protected == 0:
            s.erases = 1
            ask_host(m, s.slot)
        s.way = PROGRAMS
        go_busy(m, s, t, s.write_time)


@compiled
def app_command(m, s, n, t):
    """Perform a command behind CMD55; 0: there is none such."""
    if n == 41:
        start_up(m, s, t, (s.argument >> 30) & 1)
        return 1
    if s.ready == 0:
        return 0
    if n == 13:  # SD status: 64 bytes, of which our cards have nothing to tell
        for k in range(64):
            s.buffer[k] = 0
        give_register(m, s, np.int64(64), t)
        more(s, np.int64(0))  # the answer is R2
    elif n == 22:
        for k in range(4):
            s.buffer[k] = (s.written >> (24 - 8 * k)) & 0xFF
        give_register(m, s, np.int64(4), t)
    elif n == 51:
        for k in range(8):
            s.buffer[k] = s.scr[k]
        give_register(m, s, np.int64(8), t)
    elif n == 23 or n == 42:
        answer(s, r1(s))
    else:
        return 0
    return 1


@compiled
def voltage_check(s, t):
    """Answer CMD8: voltage and pattern come back; an unknown voltage as none."""
    if s.kind == SDSC_1 or s.kind == MMC:
        refuse(s, np.int64(ILLEGAL), t)
        return
    s.voltage = 1 if (s.argument >> 8) & 15 == 1 else 0
    answer(s, r1(s))
    more(s, np.int64(0))
    more(s, np.int64(0))
    more(s, s.voltage)
    more(s, s.argument & 0xFF)


@compiled
def plain_command(m, s, n, t):
    """Perform a command that needs no card that is ready; 0: it is none of them."""
    if n == 0:
        unpowered(m, s)
        s.spi = 1
        s.warm = s.warm_up
        s.drives = 1
        answer(s, np.int64(IN_IDLE))
    elif n == 1:
        start_up(m, s, t, (s.argument >> 30) & 1)
    elif n == 8:
        voltage_check(s, t)
    elif n == 55 and s.kind != MMC:
        s.app = 1
        answer(s, r1(s))
    elif n == 58:
        answer(s, r1(s))
        high = np.int64(0x40) if s.ready == 1 and s.kind == SDHC else np.int64(0)
        more(s, high | (0x80 if s.ready == 1 else 0))
        more(s, np.int64(0xFF))
        more(s, np.int64(0x80))
        more(s, np.int64(0))
    elif n == 59:
        s.crc_on = s.argument & 1
        answer(s, r1(s))
    else:
        return 0
    return 1


@compiled
def ready_command(m, s, n, t):
    """Perform a command of a card that is ready; 0: there is none such."""
    if n == 9 or n == 10:
        for k in range(16):
            s.buffer[k] = s.csd[k] if n == 9 else s.cid[k]
        give_register(m, s, np.int64(16), t)
    elif n == 13:
        answer(s, r1(s))
        more(s, s.second)
        s.second = 0
    elif n == 16:
        if s.argument == 0 or s.argument > BLOCK:
            refuse(s, np.int64(PARAMETER), t)
        else:
            s.length = s.argument
            answer(s, r1(s))
    elif n == 17 or n == 18 or n == 24 or n == 25:
        transfer(m, s, n, t)
    elif n == 32 or n == 33 or n == 38:
        erase(m, s, n, t)
    else:
        return 0
    return 1


@compiled
def stop(s, next_byte, t):
    """End a read of several blocks: a stuff byte, the byte that was next, and then R1."""
    s.have = 0
    s.commands += 1
    s.command_t = t
    s.last = 12
    s.way = REST
    s.many = 0
    s.busy = 0
    s.wanted = -1
    for k in range(s.answers + 1):
        s.queue[k] = 0xFF
    s.queue[0] = next_byte
    s.queue[s.answers + 1] = 0
    s.queued = s.answers + 2
    s.given = 0


@compiled
def perform(m, s, t):
    """Take the command that has come whole."""
    n = np.int64(s.command[0]) & 63
    app = s.app
    s.have = 0
    s.app = 0
    s.commands += 1
    s.command_t = t
    s.last = n + APP * app
    s.argument = (np.int64(s.command[1]) << 24 | np.int64(s.command[2]) << 16
                  | np.int64(s.command[3]) << 8 | np.int64(s.command[4]))
    good = s.lenient == 1 or crc7(s) == np.int64(s.command[5])
    if s.lenient == 1 and n == 41:
        app = np.int64(1)
    before = s.refusals
    if s.spi == 0 and (n != 0 or s.warm < s.warm_up):
        s.deaf += 1
        s.deaf_t = t
    elif not good and (n == 0 or n == 8 or s.crc_on == 1):
        refuse(s, np.int64(CRC_ERROR), t)
    elif app == 1:
        if app_command(m, s, n, t) == 0:
            refuse(s, np.int64(ILLEGAL), t)
    elif plain_command(m, s, n, t) == 0 and (s.ready == 0 or ready_command(m, s, n, t) == 0):
        refuse(s, np.int64(ILLEGAL), t)
    if s.refusals == before and s.last == s.refused:
        s.refused_now = 0
