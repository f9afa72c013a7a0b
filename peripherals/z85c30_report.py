"""What a Z85C30-type SCC says of itself: words, sources, complaints, what goes wrong at it."""
from __future__ import annotations

from typing import Any

import numpy as np

from peripherals import serial_report
from peripherals.card import Complaint, Request, Trouble, roles
from peripherals.serial_line import sending
from peripherals.serial_setup import rate_words, terminal_words
from peripherals.z80_sio_channel import (
    AUTO_ENABLES,
    EXT_ENABLE,
    OF_RECEIVER,
    READY,
    RX_MODE,
    RX_ON,
    TX_ENABLE,
    TX_ON,
    WAIT_READY_ON,
)
from peripherals.z85c30_channel import (
    BRG_ON,
    BRG_PCLK,
    DTR_ASKS,
    FROM_BRG,
    FROM_DPLL,
    FROM_RTXC,
    choose_clock,
    receiver_source,
    requests,
    sender_source,
    time_constant,
    wreq_pin,
)

MASTER = 0x08  # of WR9
X16 = 16
SOURCES = ("RTxC", "TRxC", "the baud rate generator", "the DPLL")
MODES = ("", "first character or special", "every character or special", "special only")


def _set_up(c: Any) -> bool:
    return bool(c.wr[3] or c.wr[5])


def clock_words(c: Any) -> str:
    """Say where a channel's clock comes from."""
    source = int(sender_source(c))
    words = SOURCES[source]
    if source == FROM_BRG:
        if not c.wr[14] & BRG_ON:
            return f"{words}, which is off (WR14 bit 0)"
        pin = "PCLK" if c.wr[14] & BRG_PCLK else "RTxC"
        words += f" ({pin} / 2 / ({int(time_constant(c))} + 2))"
    return words if c.clock_num else f"{words}, where no clock comes"


def _pins(c: Any) -> list[str]:
    """Say what W/REQ and DTR/REQ do, where they are on."""
    words = []
    if c.wr[1] & WAIT_READY_ON:
        half = "a character has come" if c.wr[1] & OF_RECEIVER else "the transmit buffer is empty"
        level = "high" if wreq_pin(c) else "low"
        words.append(
            f"W/REQ: REQUEST, low while {half}; {level} now" if c.wr[1] & READY else
            f"W/REQ: WAIT, holds accesses to the data port until {half}; {level} now, "
            f"{int(c.held)} held so far")
    if c.wr[14] & DTR_ASKS:
        words.append("DTR/REQ: REQUEST, low while the transmit buffer is empty")
    return words


def channel_words(m: Any, s: Any, k: int) -> list[str]:
    """Give one channel in words."""
    c, name, line = s.channel[k], "ab"[k], (s.line_a, s.line_b)[k]
    if not _set_up(c):
        return [f"{name}: not set up (WR3 and WR5 are 00h)"]
    enabled = [MODES[int(c.wr[1] & RX_MODE) >> 3], "transmit" if c.wr[1] & TX_ENABLE else "",
               "external/status" if c.wr[1] & EXT_ENABLE else ""]
    parts = [("receive", "transmit", "external/status")[n] for n in range(3)
             if int(m.ius[s.slot]) >> 3 * k + n & 1]
    serving = f"; in service: {', '.join(parts)}" if parts else ""
    faults = [f"{int(n)} {what}" for n, what in (
        (c.overruns, "overruns"), (c.framing_errors, "framing errors"),
        (c.parity_errors, "parity errors"), (c.breaks, "breaks")) if n]
    held = ", held by a special character until error reset" if c.locked else ""
    waits = ", one waits" if c.tx_full else ""
    return [f"{name}: clock from {clock_words(c)}; {rate_words(line)}",
            f"{name}: receiver {'on' if c.wr[3] & RX_ON else 'off'}, {int(c.received)} characters "
            f"came, {int(c.rx_count)} unread{held}"
            + (f" ({', '.join(faults)} so far)" if faults else ""),
            f"{name}: transmitter {'on' if c.wr[5] & TX_ON else 'off'}, {int(c.sent)} characters "
            f"begun{waits}" + (", auto enables" if c.wr[3] & AUTO_ENABLES else ""),
            f"{name}: interrupts enabled: {', '.join(filter(None, enabled)) or 'none'}{serving}",
            *(f"{name}: {words}" for words in (*_pins(c), *terminal_words(line)))]


def describe(m: Any, s: Any) -> list[str]:
    """Give the state of both channels in words."""
    master = "on" if s.wr9 & MASTER else "off"
    return [*channel_words(m, s, 0), *channel_words(m, s, 1),
            f"vector {int(s.wr2):02X}h, WR9 {int(s.wr9):02X}h: master enable {master}",
            *risks(m, s)]


def risks(m: Any, s: Any) -> list[str]:
    """Accesses without recovery, and channels whose halves have two clocks."""
    out = []
    if s.hasty:
        out.append(f"{int(s.hasty)} accesses came less than {int(s.recovery)} T-states behind the "
                   f"one before, first at T-state {int(s.hasty_t)}")
    for name, c in zip("ab", s.channel, strict=True):
        if _set_up(c) and sender_source(c) != receiver_source(c):
            out.append(f"sender and receiver of channel {name} have different clock sources in "
                       f"WR11; both are run by the sender's here")
        if _set_up(c) and sender_source(c) == FROM_DPLL:
            out.append(f"channel {name} is clocked by the DPLL, which is not modelled")
    return out


def interrupts(m: Any, s: Any) -> list[Request]:
    """Give receiver, transmitter and the external inputs of both channels."""
    out = []
    for k, c in enumerate(s.channel):
        words = "; ".join(channel_words(m, s, k))
        for n, (reports, mask) in enumerate((
                (roles.RECEIVES, RX_MODE), (roles.SENDS, TX_ENABLE), (roles.OTHER, EXT_ENABLE))):
            bit = 3 * k + n
            out.append(Request(bit, f"channel {'ab'[k]}", reports,
                               bool(c.wr[1] & mask and s.wr9 & MASTER),
                               bool(m.ip[s.slot] >> bit & 1), words))
    return out


def complaints(m: Any, s: Any) -> list[Complaint]:
    """Give channels not set up, halves that are off, pins, clocks, bytes held and lost."""
    out = []
    for k, (c, line) in enumerate(zip(s.channel, (s.line_a, s.line_b), strict=True)):
        name = "ab"[k]
        part, control, data = f"channel {name}", f"{name}-control", f"{name}-data"
        if not _set_up(c):
            out.append(Complaint(roles.NOT_SET_UP, part, control))
            continue
        if not c.wr[3] & RX_ON:
            out.append(Complaint(roles.RECEIVER_OFF, part, control))
        if not c.wr[5] & TX_ON:
            out.append(Complaint(roles.SENDER_OFF, part, control))
        if not c.clock_num:
            out.append(Complaint(roles.NO_CLOCK, part, control))
        out += serial_report.pins(c, part, control, f"-{name}")
        if c.tx_full and not sending(line):
            out.append(Complaint(roles.BYTE_HELD, part, data))
        out += serial_report.lost(c.overruns, part, data)
    return out


# --- what goes wrong ----------------------------------------------------------------------
def _let_ask(m: Any, s: Any) -> None:
    s.ip = int(requests(s.channel[0])) | int(requests(s.channel[1])) << 3
    m.ip[s.slot] = s.ip
    m.irq_dirty = 1


def service_left(m: Any, s: Any) -> Trouble | None:
    """A service that was still under way when RETI ran."""
    if not m.ius[s.slot] or not s.unended:
        return None

    def mend(m: Any, s: Any) -> None:
        s.knows_reti = 1
        m.ius[s.slot] = 0
        m.irq_dirty = 1

    return Trouble(
        "scc-service-left", "{card} is under service for ever: RETI means nothing to it.",
        [f"RETI ran {int(s.unended)} times while a service of the chip was under way, the last "
         f"time at T-state {int(s.reti_t)}; {int(s.ended)} services were ended by 38h.",
         "Until then its IEO is low, and nothing of it or behind it in the chain asks."],
        ["Write 38h (WR0: reset highest IUS) to {a-control} before the end of each handler of the "
         "chip."], int(s.reti_t), mend, waiting=True)


def master_off(m: Any, s: Any) -> Trouble | None:
    """Channels that may ask, behind a master enable that is off."""
    enabled = [k for k, c in enumerate(s.channel) if c.wr[1] & (RX_MODE | TX_ENABLE | EXT_ENABLE)]
    if s.wr9 & MASTER or not enabled:
        return None

    def mend(m: Any, s: Any) -> None:
        s.wr9 = int(s.wr9) | MASTER | (0 if s.wr9 else 1)  # unwritten: with status, as is usual
        for k in enabled:
            c = s.channel[k]
            if c.wr[1] & RX_MODE and not c.rx_count:
                c.rx[0], c.rx_error[0], c.rx_count = ord("x"), 0, 1
                c.first_asks = 1
        _let_ask(m, s)

    wr1 = ", ".join(f"{int(s.channel[k].wr[1]):02X}h in channel {'ab'[k]}" for k in enabled)
    return Trouble(
        "scc-master-off", "{card} may not ask for interrupts: its master enable is off.",
        [f"WR1 is {wr1}; WR9 is {int(s.wr9):02X}h: MIE, bit 3, is 0.",
         f"Requests inside the chip (RR3): {int(s.ip):02X}h."],
        [f"Write 09h and then {int(s.wr9) | MASTER | 1:02X}h to {{a-control}}, behind the reset of "
         f"the chip, which clears it."], int(s.master_t), mend)


def no_clock(m: Any, s: Any) -> Trouble | None:
    """A character that waits for a clock."""
    for k, (c, line) in enumerate(zip(s.channel, (s.line_a, s.line_b), strict=True)):
        if not c.tx_full or c.clock_num or not c.wr[5] & TX_ON:
            continue

        def mend(m: Any, s: Any, k: int = k) -> None:
            c, line = s.channel[k], (s.line_a, s.line_b)[k]
            bit = int(line.term_num) / int(line.term_den)  # T-states
            pclk = int(c.pclk_num) / int(c.pclk_den)
            c.wr[11], c.wr[13], c.wr[14] = 0x50, 0, BRG_ON | BRG_PCLK
            c.wr[12] = max(round(bit / (2 * X16 * pclk)) - 2, 0)
            choose_clock(m, c, line, np.int64(m.t))
            m.event_t[s.slot] = min(int(line.out_t), int(line.in_t))

        name = "ab"[k]
        pin = f" Or give the pin a clock (jumper rtxc-{name})." if (
            sender_source(c) == FROM_RTXC) else ""
        return Trouble(
            "scc-no-clock", f"Channel {name} of {{card}} has no clock, and keeps its character.",
            [f"WR11 is {int(c.wr[11]):02X}h: the transmitter's clock is {clock_words(c)}.",
             f"{int(c.tx_byte):02X}h waits in its buffer."],
            [f"Write 50h to WR11, the time constant to WR12 and WR13, then 03h to WR14 through "
             f"{{{name}-control}}.{pin}"], int(s.access_t), mend)
    return None


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Give all that went wrong."""
    found = (service_left(m, s), master_off(m, s), no_clock(m, s))
    return [trouble for trouble in found if trouble is not None]
