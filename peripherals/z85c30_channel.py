"""One channel of a Z85C30-type SCC: registers, receive FIFO, transmitter, external status.

From memory of the SCC user's manual, its asynchronous side; what a Z80 SIO has in the same way
(z80_sio_channel.py) is taken from there: WR3, WR4 and WR5, the errors' bits of RR1, breaks.
Other than there: WR1 bits 4-3 choose no receive interrupt, first character or special, all
characters or special, special only, and bit 2 makes parity special; in the first and the last of
these modes a special character locks the FIFO until error reset; WR15 says which bits of RR0
close their latch and interrupt, the others are always as the pins are; RTS falls back only behind
the last character while auto enables are on, and at once otherwise.  SYNC is RI in asynchronous
modes, unless WR11 bit 7 makes it half of a crystal's oscillator: its bit reads 0 then.
"""
from __future__ import annotations

import numpy as np

from emu.native.jit import compiled, inlined
from peripherals.serial_line import abort, in_step, schedule_in, set_rts, start_clock, stop_clock
from peripherals.serial_pins import pin
from peripherals.serial_wave import BREAK, CHARACTER, FRAMING_ERROR, MARK, NO_PARITY
from peripherals.serial_wave import PARITY_ERROR as WAVE_PARITY_ERROR
from peripherals.z80_sio_channel import (
    ALL_SENT,
    ASKS_EXT,
    ASKS_RX,
    ASKS_TX,
    AUTO_ENABLES,
    BROKE,
    CTS,
    DCD,
    DEPTH,
    EOM,
    EXT_ENABLE,
    FRAMING,
    OF_RECEIVER,
    OVERRUN,
    PARITY_ERROR,
    READY,
    RTS,
    RX_FIRST,
    RX_MODE,
    RX_OFF,
    SYNC,
    TX_ENABLE,
    WAIT_READY_ON,
    all_sent,
    configure,
    ready,
    try_send,
)

PARITY_SPECIAL = 0x04  # of WR1
RX_SPECIAL = 0x18  # its mode "special only"; 10h is all characters
CRYSTAL = 0x80  # of WR11
BRG_ON, BRG_PCLK, DTR_ASKS = 0x01, 0x02, 0x04  # of WR14
FROM_RTXC, FROM_TRXC, FROM_BRG, FROM_DPLL = range(4)  # clock sources of WR11
RESIDUE = 0x06  # RR1 bits 2 and 1 in asynchronous modes

CHANNEL = np.dtype([
    ("wr", np.int64, (16,)), ("pointer", np.int64),
    ("rx", np.int64, (DEPTH,)), ("rx_error", np.int64, (DEPTH,)),  # the oldest first
    ("rx_count", np.int64), ("rx_last", np.int64),
    ("latched", np.int64),  # PARITY_ERROR, OVERRUN until error reset
    ("first", np.int64), ("first_asks", np.int64),
    ("locked", np.int64),  # 1: a special character stands still until error reset, 2: and was read
    ("tx_byte", np.int64), ("tx_full", np.int64), ("tx_asks", np.int64),
    ("cts_from", np.int64), ("dcd_from", np.int64), ("ri_from", np.int64),
    ("cts", np.int64), ("dcd", np.int64), ("ri", np.int64),  # 1: pin low, active
    ("broke", np.int64), ("eom", np.int64),
    ("ext", np.int64), ("frozen", np.int64), ("ext_asks", np.int64),
    # clocks: RTxC and TRxC as (num, den), 0: none comes; what runs, and its source
    ("rtxc_num", np.int64), ("rtxc_den", np.int64),
    ("trxc_num", np.int64), ("trxc_den", np.int64),
    ("pclk_num", np.int64), ("pclk_den", np.int64),
    ("clock_num", np.int64), ("clock_den", np.int64),
    ("selected", np.int64),  # 1: its data register is chosen, by an access that waits
    ("held", np.int64),  # accesses that its W/REQ has held
    ("received", np.int64), ("sent", np.int64),
    ("overruns", np.int64), ("framing_errors", np.int64), ("parity_errors", np.int64),
    ("breaks", np.int64),
], align=True)


# --- clocks -----------------------------------------------------------------------------
@inlined
def time_constant(c):
    """Give the baud rate generator's time constant."""
    return c.wr[12] | c.wr[13] << 8


@inlined
def sender_source(c):
    """Give where the transmitter takes its clock from."""
    return (c.wr[11] >> 3) & 3


@inlined
def receiver_source(c):
    """Give where the receiver takes its clock from."""
    return (c.wr[11] >> 5) & 3


@compiled
def choose_clock(m, c, line, t):
    """Clock the channel as WR11 to WR14 say; sender and receiver take the sender's source."""
    source = sender_source(c)
    num = np.int64(0)
    den = np.int64(1)
    if source == FROM_RTXC:
        num = c.rtxc_num
        den = c.rtxc_den
    elif source == FROM_TRXC:
        num = c.trxc_num
        den = c.trxc_den
    elif source == FROM_BRG and (c.wr[14] & BRG_ON) != 0:
        pclk = (c.wr[14] & BRG_PCLK) != 0
        num = (c.pclk_num if pclk else c.rtxc_num) * 2 * (time_constant(c) + 2)
        den = c.pclk_den if pclk else c.rtxc_den
    if num == c.clock_num and den == c.clock_den:
        return
    c.clock_num = num
    c.clock_den = den
    if num == 0:
        stop_clock(m, line, t)
    else:
        start_clock(m, line, t, num, den, t, np.int64(0))


@compiled
def carry_over(m, c, line, t):
    """Carry WR3, WR4 and WR5 and the modem pins over to the line."""
    configure(m, c, line, t)
    wanted = np.int64(1) if (c.wr[5] & RTS) != 0 else np.int64(0)
    if (c.wr[3] & AUTO_ENABLES) == 0 and wanted != line.rts:
        set_rts(line, t, wanted)


# --- receiving --------------------------------------------------------------------------
@inlined
def special_bits(c):
    """Give the errors that make a character special."""
    return OVERRUN | FRAMING | (PARITY_ERROR if (c.wr[1] & PARITY_SPECIAL) != 0 else 0)


@inlined
def special(c):
    """Tell whether the next character is special."""
    return c.rx_count > 0 and ((c.rx_error[0] | c.latched) & special_bits(c)) != 0


@inlined
def locks(c):
    """Tell whether the mode lets a special character lock the FIFO."""
    mode = c.wr[1] & RX_MODE
    return mode == RX_FIRST or mode == RX_SPECIAL


@compiled
def on_top(c):
    """See to a character that has come to the top of the FIFO."""
    c.latched |= c.rx_error[0] & (PARITY_ERROR | OVERRUN)
    if locks(c) and (c.rx_error[0] & special_bits(c)) != 0:
        c.locked = 1


@compiled
def arrive(c, line):
    """Put the character that the line has brought into the FIFO, with its errors.

    Above the data stand the parity bit, if there is room, and ones.
    """
    ear = line.ear
    value = ear.byte
    width = ear.bits
    if ear.parity != NO_PARITY and width < 8:
        value |= ear.check << width
        width += 1
    error = np.int64(0)
    if (ear.error & WAVE_PARITY_ERROR) != 0:
        error |= PARITY_ERROR
        c.parity_errors += 1
    if (ear.error & FRAMING_ERROR) != 0:
        error |= FRAMING
        c.framing_errors += 1
    c.received += 1
    if c.rx_count == DEPTH:
        error |= OVERRUN
        c.overruns += 1
        c.rx_count -= 1
    c.rx[c.rx_count] = value | (0xFF << width) & 0xFF
    c.rx_error[c.rx_count] = error
    c.rx_count += 1
    if c.first == 1 and (c.wr[1] & RX_MODE) == RX_FIRST:
        c.first = 0
        c.first_asks = 1
    if c.rx_count == 1:
        on_top(c)
    if (ear.error & BREAK) != 0:
        c.breaks += 1
        c.broke = 1
        look_at_status(c)


@compiled
def pop(c):
    """Take the oldest character out of the FIFO."""
    c.rx_count -= 1
    for k in range(c.rx_count):
        c.rx[k] = c.rx[k + 1]
        c.rx_error[k] = c.rx_error[k + 1]
    if c.rx_count > 0:
        on_top(c)


@compiled
def read_data(c):
    """Read the oldest character; an empty FIFO gives the last one again."""
    if c.rx_count == 0:
        return c.rx_last
    c.rx_last = c.rx[0]
    c.first_asks = 0
    if c.locked != 0:
        c.locked = 2
    else:
        pop(c)
    return c.rx_last


@compiled
def error_reset(c):
    """Forget latched errors, and let a locked FIFO go on."""
    c.latched = 0
    was = c.locked
    c.locked = 0
    if was == 2:
        pop(c)


# --- external/status --------------------------------------------------------------------
@compiled
def status_now(c):
    """Give the external/status bits as pins, break detector and underrun have them now."""
    now = np.int64(0)
    if c.dcd == 1:
        now |= DCD
    if c.cts == 1:
        now |= CTS
    if c.ri == 1 and (c.wr[11] & CRYSTAL) == 0:
        now |= SYNC
    if c.broke == 1:
        now |= BROKE
    if c.eom == 1:
        now |= EOM
    return now


@compiled
def look_at_status(c):
    """Take the bits over; a change of one that WR15 enables closes their latch and asks."""
    if c.frozen == 1:
        return
    now = status_now(c)
    changed = (now ^ c.ext) & c.wr[15]
    c.ext = now
    if changed != 0:
        c.frozen = 1
        c.ext_asks = 1


@inlined
def status_seen(c):
    """Give the external/status bits as RR0 shows them: latched where WR15 enables them."""
    return (c.ext & c.wr[15]) | (status_now(c) & ~c.wr[15])


@compiled
def look_at_pins(m, c, line, t):
    """See whether CTS, DCD or RI has changed."""
    cts = pin(c.cts_from, line.cts)
    dcd = pin(c.dcd_from, line.dcd)
    ri = pin(c.ri_from, np.int64(0))
    if cts != c.cts or dcd != c.dcd or ri != c.ri:
        c.cts = cts
        c.dcd = dcd
        c.ri = ri
        look_at_status(c)
        carry_over(m, c, line, t)


# --- registers --------------------------------------------------------------------------
@compiled
def reset_channel(m, c, line, t):
    """Reset a channel: WR2, WR9, WR11 to WR13 and the generator's bits stay."""
    abort(m, line, t)
    for number in (0, 1, 3, 5, 10):
        c.wr[number] = 0
    c.wr[4] = (c.wr[4] & ~0x0C) | 0x04
    c.wr[14] = (c.wr[14] & 0x03) | 0x20
    c.wr[15] = 0xF8
    c.pointer = 0
    c.rx_count = 0
    c.latched = 0
    c.first_asks = 0
    c.locked = 0
    c.tx_full = 0
    c.tx_asks = 0
    c.ext_asks = 0
    c.frozen = 0
    c.broke = 0
    c.selected = 0
    c.first = 1
    c.eom = 1
    c.cts = pin(c.cts_from, line.cts)
    c.dcd = pin(c.dcd_from, line.dcd)
    c.ri = pin(c.ri_from, np.int64(0))
    c.ext = status_now(c)
    carry_over(m, c, line, t)


@compiled
def command(c, byte):
    """Carry out a WR0 command, but for the one that ends a service."""
    code = (byte >> 3) & 7
    if code == 2:
        c.ext_asks = 0
        c.frozen = 0
        look_at_status(c)
    elif code == 4:
        c.first = 1
        if c.rx_count > 0 and (c.wr[1] & RX_MODE) == RX_FIRST:
            c.first = 0
            c.first_asks = 1
    elif code == 5:
        c.tx_asks = 0
    elif code == 6:
        error_reset(c)
    if (byte >> 6) == 3:
        c.eom = 0
        look_at_status(c)
    c.pointer = byte & 7
    if code == 1:
        c.pointer |= 8


@compiled
def write_register(m, c, line, number, byte, t):
    """Write one of the channel's own registers."""
    c.wr[number] = byte
    if number == 1:
        if (byte & TX_ENABLE) == 0:
            c.tx_asks = 0
        if (byte & RX_MODE) != RX_FIRST:
            c.first_asks = 0
        if not locks(c):
            error = c.locked
            c.locked = 0
            if error == 2:
                pop(c)
    elif 3 <= number <= 5:
        carry_over(m, c, line, t)
    elif number == 15:
        c.wr[15] = byte & 0xFA
        look_at_status(c)
    elif 11 <= number <= 14:
        choose_clock(m, c, line, t)
        look_at_status(c)


@compiled
def write_data(c, line, byte, t):
    """Fill the transmit buffer."""
    c.tx_byte = byte
    c.tx_full = 1
    c.tx_asks = 0
    try_send(c, line, t)


@compiled
def rr1(c, line):
    """Read RR1: errors of the character that is read next."""
    value = c.latched | RESIDUE
    if c.rx_count > 0:
        value |= c.rx_error[0] & FRAMING
    if all_sent(c, line):
        value |= ALL_SENT
    return value


@inlined
def requests(c):
    """Give the channel's interrupt requests: ASKS_RX, ASKS_TX, ASKS_EXT."""
    value = np.int64(0)
    mode = c.wr[1] & RX_MODE
    if mode == RX_FIRST:
        if c.first_asks == 1 or special(c):
            value = np.int64(ASKS_RX)
    elif mode == RX_SPECIAL:
        if special(c):
            value = np.int64(ASKS_RX)
    elif mode != RX_OFF and c.rx_count > 0:
        value = np.int64(ASKS_RX)
    if c.tx_asks == 1:
        value |= ASKS_TX
    if c.ext_asks == 1 and (c.wr[1] & EXT_ENABLE) != 0:
        value |= ASKS_EXT
    return value


@compiled
def events_in(c, line, t):
    """Do what the terminal's line brings at T-state t."""
    got = in_step(line, t)
    while got == CHARACTER or got == MARK:
        if got == CHARACTER:
            arrive(c, line)
        else:
            c.broke = 0
            look_at_status(c)
        got = in_step(line, t)
    schedule_in(line)


# --- pins -------------------------------------------------------------------------------
@inlined
def wreq_pin(c):
    """Give the level of W/REQ; high too while it floats.

    WAIT: low while the channel is not ready and its data register is chosen.  REQUEST: low
    while it is ready, but for a receiver whose FIFO a special character locks.
    """
    if (c.wr[1] & WAIT_READY_ON) == 0:
        return np.int64(1)
    if (c.wr[1] & READY) == 0:
        return np.int64(0) if c.selected == 1 and not ready(c) else np.int64(1)
    stands = (c.wr[1] & OF_RECEIVER) != 0 and c.locked != 0
    return np.int64(0) if ready(c) and not stands else np.int64(1)


@inlined
def dtr_pin(c, line):
    """Give the level of DTR/REQ: DTR of WR5, or low while the transmit buffer is empty."""
    if (c.wr[14] & DTR_ASKS) != 0:
        return c.tx_full
    return 1 - line.dtr
