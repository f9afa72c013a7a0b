"""The state of an SD memory card in SPI mode, its busy time, its check sums and its answers.

One block stands in the card's record; the host loads and stores blocks when it is asked
(emu.bus.cycles.ask_host), while the card is busy.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined

BLOCK = 512
LEAST = 64  # T-states of the shortest busy time: longer than any instruction
QUEUE = 32
BADS = 16
APP = 64  # added to the number of a command behind CMD55

SDSC_1, SDSC, SDHC, MMC = range(4)  # kinds of card
KINDS = ("sdsc-v1", "sdsc", "sdhc", "mmc")
PORT, SHIFT, LINES = range(3)  # ways to reach it
WIRINGS = ("port", "shift", "lines")

# Bits of R1.
IN_IDLE, ILLEGAL, CRC_ERROR, SEQUENCE, ADDRESS, PARAMETER = 0x01, 0x04, 0x08, 0x10, 0x20, 0x40
# Bits of the second byte of R2.
ECC_FAILED, WP_VIOLATION, OUT_OF_RANGE = 0x10, 0x20, 0x80
START, START_MULTIPLE, STOP = 0xFE, 0xFC, 0xFD  # tokens
ACCEPTED, BAD_CRC, WRITE_ERROR = 0xE5, 0xEB, 0xED  # data responses
# What it does beside taking commands.
REST, DATA_DUE, GIVES, TOKEN_DUE, TAKES, PROGRAMS = range(6)

STATE = np.dtype([
    ("slot", np.int64),
    # --- the board -------------------------------------------------------------------
    ("wiring", np.int64),
    ("cs_bit", np.int64), ("clock_bit", np.int64), ("di_bit", np.int64), ("do_bit", np.int64),
    ("cs_level", np.int64),  # of its bit that selects the card
    ("detect_bit", np.int64), ("pull_up", np.int64),
    ("latch", np.int64),
    ("divider", np.int64), ("slow_divider", np.int64), ("slow_bit", np.int64),
    ("read_shifts", np.int64),
    ("shift_t", np.int64),  # when the byte under way has been shifted, FAR: none
    ("shift_from", np.int64), ("shift_step", np.int64), ("sent", np.int64),
    ("received", np.int64),
    ("hasty", np.int64), ("hasty_t", np.int64),  # accesses of the shift register while it shifts
    # --- the lines at the socket ------------------------------------------------------
    ("cs", np.int64), ("clk", np.int64), ("di", np.int64),
    ("drives", np.int64), ("do", np.int64),
    ("releases", np.int64),  # 1: CS is high, and the next clock lets DO go
    ("bits", np.int64), ("in_shift", np.int64), ("out", np.int64),
    ("rise_t", np.int64),  # of the last clock
    ("slow_t", np.int64),  # T-states a clock takes at least until the card is ready
    ("fast", np.int64),  # clocks that came faster
    # --- the card ----------------------------------------------------------------------
    ("fitted", np.int64), ("inserts", np.int64), ("kind", np.int64), ("total", np.int64),
    ("protected", np.int64),
    ("warm", np.int64), ("warm_up", np.int64),  # clocks with CS and DI high, and those it needs
    ("spi", np.int64), ("speaks", np.int64),  # in SPI mode; 1: it drives DO while selected
    ("ready", np.int64), ("voltage", np.int64),  # 1: CMD8 was accepted
    ("starting", np.int64),  # 1: its start has begun ...
    ("sleeps", np.int64),  # ... and 1: never ends, as the host did not say HCS
    ("app", np.int64), ("crc_on", np.int64), ("length", np.int64),
    ("command", np.uint8, (6,)), ("have", np.int64),
    ("answers", np.int64),  # bytes FFh before an answer (Ncr)
    ("queue", np.uint8, (QUEUE,)), ("queued", np.int64), ("given", np.int64),
    ("awaited", np.int64),  # 1: R1 has not been clocked out yet
    ("way", np.int64), ("at", np.int64), ("span", np.int64),
    ("many", np.int64),  # 1: a command of several blocks is under way
    ("sector", np.int64),  # of the medium, -1: the buffer is a register of the card
    ("offset", np.int64),  # of a short block within its sector
    ("crc", np.int64),
    ("busy", np.int64), ("busy_t", np.int64),
    ("wanted", np.int64), ("dirty", np.int64), ("dirty_at", np.int64),
    ("buffer", np.uint8, (BLOCK,)),
    ("erase_from", np.int64), ("erase_to", np.int64), ("erases", np.int64),
    ("second", np.int64),  # second byte of R2, cleared when it is read
    ("written", np.int64),  # blocks of the last CMD25
    ("csd", np.uint8, (16,)), ("cid", np.uint8, (16,)), ("scr", np.uint8, (8,)),
    ("bad", np.int64, (BADS,)), ("bads", np.int64),
    ("init_time", np.int64), ("read_time", np.int64), ("write_time", np.int64),
    # --- what happened -------------------------------------------------------------------
    ("commands", np.int64), ("last", np.int64), ("argument", np.int64), ("command_t", np.int64),
    ("reads", np.int64), ("writes", np.int64), ("bus_t", np.int64),  # the last clock with CS low
    ("empty", np.int64), ("empty_t", np.int64),  # bytes clocked into an empty socket
    ("deaf", np.int64), ("deaf_t", np.int64),  # commands that it did not answer at all
    ("refusals", np.int64), ("refused", np.int64), ("refused_argument", np.int64),
    ("refused_r1", np.int64), ("refused_t", np.int64),
    ("refused_now", np.int64),  # 1: and has not been taken since
    ("lenient", np.int64),  # 1: in a copy of the machine, CRCs and CMD55 are not asked for
    ("idle_answers", np.int64), ("idle_t", np.int64),  # polls of its start that found it idle
    ("unread", np.int64), ("unread_t", np.int64),  # answers cut off before they were given
    ("swallowed", np.int64), ("swallowed_t", np.int64),  # commands lost in data or busy time
    ("swallowed_in", np.int64), ("skip", np.int64),
    ("swallowed_byte", np.int64),
    ("cut", np.int64),  # blocks not read to their end
    ("tokenless", np.int64), ("tokenless_t", np.int64),  # bytes where a token was due
    ("busy_bytes", np.int64), ("busy_seen_t", np.int64),  # bytes 00h read while it was busy
    ("waited", np.int64),  # 1: busy, or data due, and nobody has seen its end yet
    ("failed", np.int64), ("failed_t", np.int64),  # last error token or data response that was bad
    ("far", np.int64),  # reads and writes of SDHC with addresses that look like bytes
], align=True)


@compiled
def crc7(s):
    """Give the last byte of the command in ``s.command``: CRC7 (x^7 + x^3 + 1), then 1."""
    crc = np.int64(0)
    for k in range(5):
        byte = np.int64(s.command[k])
        for bit in range(8):
            crc <<= 1
            if ((byte >> (7 - bit)) & 1) ^ ((crc >> 7) & 1) != 0:
                crc ^= 0x09
            crc &= 0x7F
    return crc << 1 | 1


@inlined
def crc16(crc, byte):
    """Add a byte to a data block's CRC (x^16 + x^12 + x^5 + 1, start 0)."""
    crc ^= byte << 8
    for _ in range(8):
        crc = (crc << 1) ^ 0x1021 if (crc & 0x8000) != 0 else crc << 1
    return crc & 0xFFFF


@inlined
def settle(m, s):
    """Say when the card acts next."""
    m.event_t[s.slot] = min(s.busy_t, s.shift_t)


@inlined
def go_busy(m, s, t, length):
    """Be busy for a time."""
    s.busy = 1
    s.busy_bytes = 0
    s.waited = 1
    s.busy_t = t + max(length, LEAST)
    settle(m, s)


@inlined
def answer(s, r1):
    """Give R1 after Ncr bytes."""
    for k in range(s.answers):
        s.queue[k] = 0xFF
    s.queue[s.answers] = r1
    s.queued = s.answers + 1
    s.given = 0
    s.awaited = 1
    s.speaks = 1


@inlined
def more(s, byte):
    """Give a further byte of an answer."""
    s.queue[s.queued] = byte
    s.queued += 1


@inlined
def drop(s):
    """Forget what is under way, but not a busy time."""
    s.have = 0
    s.queued = 0
    s.given = 0
    s.awaited = 0
    s.many = 0
    s.skip = 0
    s.wanted = -1
    if s.way != PROGRAMS:
        if s.way == DATA_DUE:
            s.busy = 0
            s.busy_t = FAR
        s.way = REST


@compiled
def unpowered(m, s):
    """Be as a card is when its supply has just come."""
    drop(s)
    s.way = REST
    s.busy = 0
    s.busy_t = FAR
    s.warm = 0
    s.spi = 0
    s.speaks = 0
    s.ready = 0
    s.voltage = 0
    s.starting = 0
    s.sleeps = 0
    s.app = 0
    s.crc_on = 0
    s.length = BLOCK
    s.second = 0
    s.waited = 0
    s.erase_from = -1
    s.erase_to = -1
    s.drives = 0
    s.releases = 0
    s.bits = 0
    s.in_shift = 0
    s.out = 0xFF
    settle(m, s)
