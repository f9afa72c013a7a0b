"""One channel of a Z80 SIO: registers, receive buffer, transmitter, external status.

After UM0081, SIO chapter.  Asynchronous modes only: with the stop bits of WR4 set to
"sync modes" the channel neither sends nor receives.  Where the manual is silent:

* RR0's external/status bits stand still from their first change on until command 2, whether
  or not WR1 bit 0 lets the change interrupt; a pin that differs by then changes them again
  (from memory, and the later SCC's manual; jumper status-latch has the other reading).
* The SYNC pin is RI, as on the DART: in asynchronous modes an input like CTS, inverted in RR0
  bit 4 (UM0081 p.314; that it latches and interrupts so, from memory).
* Command 4 with characters waiting asks at once (the later SCC's "alternatively"; jumper
  next-character has the other reading).
* Command 3 in channel A forgets what the whole chip has under service (UM0081, WR0, from
  memory: "resets the interrupt prioritization logic"; jumper channel-reset has the other reading).
* In "first character" mode a parity error is no special condition (from memory).
* A character with an error makes the vector "special" while it is the next to be read.
"""
from __future__ import annotations

import numpy as np

from emu.native.jit import compiled, inlined
from peripherals.serial_line import (
    FRAME_DUE,
    LISTENED,
    abort,
    arm,
    disarm,
    in_step,
    out_step,
    schedule_in,
    schedule_out,
    sending,
    set_break,
    set_format,
    set_receiver,
    set_rts,
    start_frame,
)
from peripherals.serial_pins import pin
from peripherals.serial_wave import BREAK, CHARACTER, EVEN, FRAMING_ERROR, MARK, NO_PARITY, ODD
from peripherals.serial_wave import PARITY_ERROR as WAVE_PARITY_ERROR

DEPTH = 3  # of the receive buffer, UM0081 p.319

# RR0
RX_AVAILABLE, ANY_PENDING, TX_EMPTY, DCD, SYNC, CTS, EOM, BROKE = (1 << k for k in range(8))
# RR1, and the error bits beside the characters in the receive buffer
ALL_SENT, PARITY_ERROR, OVERRUN, FRAMING = 0x01, 0x10, 0x20, 0x40
# WR1
EXT_ENABLE, TX_ENABLE, AFFECTS_VECTOR, RX_MODE = 0x01, 0x02, 0x04, 0x18
RX_OFF, RX_FIRST, RX_ALL, RX_ALL_BUT_PARITY = 0x00, 0x08, 0x10, 0x18
# WR3, WR4, WR5
RX_ON, AUTO_ENABLES = 0x01, 0x20
PARITY_ON, PARITY_EVEN, STOP_BITS = 0x01, 0x02, 0x0C
RTS, TX_ON, SEND_BREAK, DTR = 0x02, 0x08, 0x10, 0x80
WAIT_READY_ON, READY, OF_RECEIVER = 0x80, 0x40, 0x20  # WR1: the pin W/RDY
# A channel's requests, the highest first
ASKS_RX, ASKS_TX, ASKS_EXT = 1, 2, 4

CHANNEL = np.dtype([
    ("wr", np.int64, (8,)), ("pointer", np.int64),
    ("rx", np.int64, (DEPTH,)), ("rx_error", np.int64, (DEPTH,)),  # the oldest first
    ("rx_count", np.int64),
    ("rx_last", np.int64),  # what an empty buffer gives
    ("latched", np.int64),  # PARITY_ERROR, OVERRUN until error reset
    ("first", np.int64),  # 1: the next character asks, in first-character mode
    ("first_asks", np.int64), ("special_asks", np.int64),  # in that mode
    ("locked", np.int64),  # 1: the buffer stands still until error reset, 2: and was read
    ("tx_byte", np.int64), ("tx_full", np.int64), ("tx_asks", np.int64),
    ("cts_from", np.int64), ("dcd_from", np.int64), ("ri_from", np.int64),
    ("cts", np.int64), ("dcd", np.int64), ("ri", np.int64),  # 1: pin low, active
    ("broke", np.int64), ("eom", np.int64),
    ("ext", np.int64),  # external/status bits as RR0 shows them
    ("frozen", np.int64),  # 1: until command 2
    ("ext_asks", np.int64),
    ("selected", np.int64),  # 1: its data port is chosen, by an access that waits
    ("held", np.int64),  # accesses that its W/RDY has held
    ("always", np.int64),  # 1: every change closes the latch, 0: only those that may interrupt
    ("at_once", np.int64),  # 1: a waiting character asks when command 4 comes
    ("stale_reads", np.int64), ("rearmed", np.int64),  # what leans on these two readings
    ("received", np.int64), ("sent", np.int64),  # counters for the words
    ("overruns", np.int64), ("framing_errors", np.int64), ("parity_errors", np.int64),
    ("breaks", np.int64),
], align=True)


@inlined
def asynchronous(c):
    """Tell whether WR4 chooses an asynchronous mode."""
    return (c.wr[4] & STOP_BITS) != 0


@inlined
def bits_of(code):
    """Decode two bits: 00 = 5, 01 = 7, 10 = 6, 11 = 8."""
    return 5 + ((code & 1) << 1) + ((code >> 1) & 1)


@compiled
def short_bits(byte):
    """Count the data bits of a byte sent with "5 or fewer": one less for each leading 1."""
    bits = np.int64(5)
    mask = 0x80
    while bits > 1 and (byte & mask) != 0:
        bits -= 1
        mask >>= 1
    return bits


@inlined
def may_send(c):
    """Tell whether the transmitter is on, and CTS lets it with auto enables."""
    return ((c.wr[5] & TX_ON) != 0 and asynchronous(c)
            and ((c.wr[3] & AUTO_ENABLES) == 0 or c.cts == 1))


@inlined
def may_receive(c):
    """Tell whether the receiver is on, and DCD lets it with auto enables."""
    return ((c.wr[3] & RX_ON) != 0 and asynchronous(c)
            and ((c.wr[3] & AUTO_ENABLES) == 0 or c.dcd == 1))


@inlined
def all_sent(c, line):
    """Tell whether buffer and shift register are empty."""
    return c.tx_full == 0 and not sending(line)


@compiled
def try_send(c, line, t):
    """Start the transmitter when it has something and may, or take that back."""
    if c.tx_full == 1 and may_send(c):
        arm(line, t)
    elif line.armed == 1:
        disarm(line)


@compiled
def drive_rts(c, line, t):
    """Drive RTS: off only once everything has been sent (UM0081, WR5)."""
    wanted = 1 if (c.wr[5] & RTS) != 0 else 0
    if wanted != line.rts and (wanted == 1 or all_sent(c, line)):
        set_rts(line, t, wanted)


@compiled
def configure(m, c, line, t):
    """Carry WR3, WR4 and WR5 and the modem pins over to the line."""
    if not may_receive(c):
        set_receiver(m, line, t, 0)
    parity = np.int64(NO_PARITY)
    if (c.wr[4] & PARITY_ON) != 0:
        parity = np.int64(EVEN) if (c.wr[4] & PARITY_EVEN) != 0 else np.int64(ODD)
    ratio = np.int64(0)
    if asynchronous(c):
        code = c.wr[4] >> 6
        ratio = np.int64(1) if code == 0 else np.int64(8) << code
    set_format(m, line, t, ratio, parity, 1 + ((c.wr[4] >> 2) & 3), bits_of(c.wr[5] >> 5),
               bits_of(c.wr[3] >> 6))
    if may_receive(c):
        set_receiver(m, line, t, 1)
    set_break(m, line, t, 1 if (c.wr[5] & SEND_BREAK) != 0 else 0)
    line.dtr = 1 if (c.wr[5] & DTR) != 0 else 0
    drive_rts(c, line, t)
    try_send(c, line, t)


# --- receiving --------------------------------------------------------------------------
@compiled
def on_top(c):
    """See to a character that has come to the top of the receive buffer."""
    c.latched |= c.rx_error[0] & (PARITY_ERROR | OVERRUN)
    if (c.wr[1] & RX_MODE) == RX_FIRST and (c.rx_error[0] & (OVERRUN | FRAMING)) != 0:
        c.special_asks = 1
        c.locked = 1


@compiled
def arrive(c, line):
    """Put the character that the line has brought into the receive buffer.

    The buffer takes the parity bit along when there is room above the data (UM0081 p.305)
    and fills up with ones (from memory).
    """
    ear = line.ear
    value = ear.byte
    width = ear.bits
    if ear.parity != NO_PARITY and width < 8:
        value |= ear.check << width
        width += 1
    value |= (0xFF << width) & 0xFF
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
        c.rx_count = DEPTH - 1
    c.rx[c.rx_count] = value
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
    """Take the oldest character out of the receive buffer."""
    c.rx_count -= 1
    for k in range(c.rx_count):
        c.rx[k] = c.rx[k + 1]
        c.rx_error[k] = c.rx_error[k + 1]
    if c.rx_count > 0:
        on_top(c)


@compiled
def read_data(c):
    """Read the oldest character; an empty buffer gives the last one again."""
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
    """Forget latched errors, and let a locked buffer go on."""
    c.latched = 0
    c.special_asks = 0
    was = c.locked
    c.locked = 0
    if was == 2:
        pop(c)


@inlined
def special(c):
    """Tell whether the receive request is a special receive condition."""
    mode = c.wr[1] & RX_MODE
    if mode == RX_FIRST:
        return c.special_asks == 1
    mask = OVERRUN | FRAMING | (PARITY_ERROR if mode == RX_ALL else 0)
    return c.rx_count > 0 and (c.rx_error[0] & mask) != 0


# --- external/status --------------------------------------------------------------------
@compiled
def status_now(c):
    """Give the external/status bits as pins, break detector and underrun have them now."""
    now = np.int64(0)
    if c.dcd == 1:
        now |= DCD
    if c.cts == 1:
        now |= CTS
    if c.ri == 1:
        now |= SYNC
    if c.broke == 1:
        now |= BROKE
    if c.eom == 1:
        now |= EOM
    return now


@compiled
def look_at_status(c):
    """Take external/status bits over into RR0; a change closes their latch and may interrupt."""
    now = status_now(c)
    if c.frozen == 1 or now == c.ext:
        return
    c.ext = now
    if c.always == 1 or (c.wr[1] & EXT_ENABLE) != 0:
        c.frozen = 1
        c.ext_asks = 1


@compiled
def read_status(c):
    """Give the external/status bits as RR0 shows them."""
    if c.frozen == 1 and ((c.ext ^ status_now(c)) & (DCD | CTS | SYNC)) != 0:
        c.stale_reads += 1
    return c.ext


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
        configure(m, c, line, t)


# --- registers --------------------------------------------------------------------------
@compiled
def write_data(c, line, byte, t):
    """Fill the transmit buffer."""
    c.tx_byte = byte
    c.tx_full = 1
    c.tx_asks = 0
    try_send(c, line, t)


@compiled
def reset_channel(m, c, line, t):
    """Turn everything off, as RESET or command 3 does."""
    abort(m, line, t)
    c.wr[:] = 0
    c.pointer = 0
    c.rx_count = c.latched = c.first_asks = c.special_asks = c.locked = 0
    c.tx_full = c.tx_asks = c.ext_asks = c.frozen = c.broke = c.selected = 0
    c.first = 1
    c.eom = 1
    c.cts = pin(c.cts_from, line.cts)
    c.dcd = pin(c.dcd_from, line.dcd)
    c.ri = pin(c.ri_from, np.int64(0))
    c.ext = status_now(c)
    configure(m, c, line, t)


@compiled
def command(m, c, line, byte, t):
    """Carry out a WR0 command, but for return from interrupt."""
    code = (byte >> 3) & 7
    if code == 2:
        c.ext_asks = 0
        c.frozen = 0
        look_at_status(c)
    elif code == 3:
        reset_channel(m, c, line, t)
    elif code == 4:
        c.first = 1
        if c.rx_count > 0 and (c.wr[1] & RX_MODE) == RX_FIRST:
            c.rearmed += 1
            if c.at_once == 1:
                c.first = 0
                c.first_asks = 1
    elif code == 5:
        c.tx_asks = 0
    elif code == 6:
        error_reset(c)
    if (byte >> 6) == 3:
        c.eom = 0
        c.ext &= ~EOM
    if code != 3:
        c.pointer = byte & 7


@compiled
def write_register(m, c, line, number, byte, t):
    """Write WR1 to WR7."""
    c.wr[number] = byte
    if number == 1:
        if (byte & TX_ENABLE) == 0:
            c.tx_asks = 0
        if (byte & RX_MODE) != RX_FIRST:
            c.first_asks = 0
            c.special_asks = 0
            if c.locked == 2:
                pop(c)
            c.locked = 0
    elif 3 <= number <= 5:
        configure(m, c, line, t)


@compiled
def rr1(c, line):
    """Read RR1: errors of the character that is read next."""
    value = c.latched
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
        if c.first_asks == 1 or c.special_asks == 1:
            value = np.int64(ASKS_RX)
    elif mode != RX_OFF and c.rx_count > 0:
        value = np.int64(ASKS_RX)
    if c.tx_asks == 1:
        value |= ASKS_TX
    if c.ext_asks == 1 and (c.wr[1] & EXT_ENABLE) != 0:
        value |= ASKS_EXT
    return value


# --- events -----------------------------------------------------------------------------
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


@compiled
def events_out(m, c, line, t):
    """Do what the transmitter has due at T-state t."""
    what = out_step(m, line, t)
    if what == LISTENED:
        return
    if what == FRAME_DUE or (c.tx_full == 1 and may_send(c)):
        bits = bits_of(c.wr[5] >> 5)
        start_frame(line, c.tx_byte, short_bits(c.tx_byte) if bits == 5 else bits)
        c.tx_full = 0
        c.sent += 1
        if (c.wr[1] & TX_ENABLE) != 0:
            c.tx_asks = 1
        return
    schedule_out(line)
    drive_rts(c, line, t)


@inlined
def ready(c):
    """Tell whether W/RDY's half of the channel is ready: a character has come, or the transmit
    buffer is empty (UM0081, WR1, from memory)."""
    return c.rx_count > 0 if (c.wr[1] & OF_RECEIVER) != 0 else c.tx_full == 0


@inlined
def ready_pin(c):
    """Give the level of W/RDY; high too while it floats.

    READY: low while the channel is ready.  WAIT: low while it is not and its data port is
    chosen.  UM0081, WR1 (from memory).
    """
    if (c.wr[1] & WAIT_READY_ON) == 0:
        return np.int64(1)
    if (c.wr[1] & READY) != 0:
        return np.int64(0) if ready(c) else np.int64(1)
    return np.int64(0) if c.selected == 1 and not ready(c) else np.int64(1)
