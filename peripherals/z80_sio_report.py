"""What a Z80 SIO says of itself: its channels in words, its sources and complaints."""
from __future__ import annotations

from typing import Any

from peripherals import serial_report
from peripherals.card import Complaint, Request, roles
from peripherals.serial_line import sending
from peripherals.serial_setup import rate_words, terminal_words
from peripherals.z80_sio_channel import (
    AFFECTS_VECTOR,
    AUTO_ENABLES,
    EXT_ENABLE,
    FRAMING,
    OF_RECEIVER,
    OVERRUN,
    PARITY_ERROR,
    READY,
    RX_MODE,
    RX_ON,
    SEND_BREAK,
    STOP_BITS,
    TX_ENABLE,
    TX_ON,
    WAIT_READY_ON,
    ready_pin,
)


def _errors(bits: int) -> str:
    """Name the error bits of a character."""
    names = ((PARITY_ERROR, "parity"), (OVERRUN, "overrun"), (FRAMING, "framing"))
    found = "+".join(name for bit, name in names if bits & bit)
    return f" ({found})" if found else ""


def _receiver(c: Any) -> str:
    """Say what a channel's receiver does."""
    if not c.wr[3] & RX_ON:
        return "receiver off"
    words = f"receiver on, {int(c.received)} characters came"
    if c.wr[3] & AUTO_ENABLES and not c.dcd:
        words += ", held off by DCD (auto enables)"
    if c.rx_count:
        held = ", ".join(f"{int(c.rx[k]):02X}h{_errors(int(c.rx_error[k]))}"
                         for k in range(int(c.rx_count)))
        words += f", {int(c.rx_count)} of 3 unread: {held}"
    if c.locked:
        words += ", buffer locked until error reset"
    faults = [f"{int(n)} {what}" for n, what in (
        (c.overruns, "overruns"), (c.framing_errors, "framing errors"),
        (c.parity_errors, "parity errors"), (c.breaks, "breaks")) if n]
    return words + (f" ({', '.join(faults)} so far)" if faults else "")


def _transmitter(c: Any, channel_line: Any) -> str:
    """Say what a channel's transmitter does, and what it waits for."""
    if not c.wr[5] & TX_ON:
        waits = f", with {int(c.tx_byte):02X}h in its buffer" if c.tx_full else ""
        return f"transmitter off{waits}"
    words = f"transmitter on, {int(c.sent)} characters begun"
    if c.wr[5] & SEND_BREAK:
        words += ", sends a break"
    if sending(channel_line):
        words += ", one under way"
    if c.tx_full:
        words += f", {int(c.tx_byte):02X}h in its buffer"
        if c.wr[3] & AUTO_ENABLES and not c.cts:
            words += " waits for CTS (auto enables)"
        elif not channel_line.running:
            words += " waits for a clock"
    return words


def _interrupts(c: Any, pending: int, serving: int) -> str:
    """Say which interrupts of a channel are enabled, pending and in service."""
    modes = ("", "first character", "every character", "every character, parity apart")
    enabled = [modes[int(c.wr[1] & RX_MODE) >> 3],
               "transmit" if c.wr[1] & TX_ENABLE else "",
               "external/status" if c.wr[1] & EXT_ENABLE else ""]
    words = ", ".join(filter(None, enabled)) or "none"
    out = f"interrupts enabled: {words}"
    for bits, what in ((pending, "pending"), (serving, "in service")):
        names = [n for k, n in enumerate(("receive", "transmit", "external/status"))
                 if bits >> k & 1]
        if names:
            out += f"; {what}: {', '.join(names)}"
    return out


def _pin(c: Any) -> list[str]:
    """Say what W/RDY does, when it is on."""
    if not c.wr[1] & WAIT_READY_ON:
        return []
    half = "a character has come" if c.wr[1] & OF_RECEIVER else "the transmit buffer is empty"
    level = "low" if not ready_pin(c) else "high"
    if c.wr[1] & READY:
        return [f"W/RDY: READY, low while {half}; {level} now"]
    return [f"W/RDY: WAIT, holds accesses to the data port until {half}; {level} now, "
            f"{int(c.held)} held so far"]


def _channel_words(m: Any, s: Any, k: int) -> list[str]:
    """Give one channel in words."""
    c, name, line = s.channel[k], "ab"[k], (s.line_a, s.line_b)[k]
    if not c.wr[4]:
        return [f"{name}: not set up (WR4 = 00h)"]
    if not c.wr[4] & STOP_BITS:
        first = (f"{name}: programmed for a synchronous mode (WR4 = {int(c.wr[4]):02X}h), "
                 f"which is not modelled: it neither sends nor receives")
    else:
        first = f"{name}: {rate_words(line)}"
    return [first, *(f"{name}: {words}" for words in (
        _receiver(c), _transmitter(c, line), *_pin(c),
        _interrupts(c, int(m.ip[s.slot]) >> 3 * k & 7, int(m.ius[s.slot]) >> 3 * k & 7),
        *terminal_words(line)))]


def describe(m: Any, s: Any) -> list[str]:
    """Give the state of both channels in words."""
    affected = " + status" if s.channel[1].wr[1] & AFFECTS_VECTOR else ""
    return [*_channel_words(m, s, 0), *_channel_words(m, s, 1),
            f"vector {int(s.channel[1].wr[2]):02X}h{affected}"]


def interrupts(m: Any, s: Any) -> list[Request]:
    """Give receiver, transmitter and the external inputs of both channels."""
    out = []
    for k, c in enumerate(s.channel):
        words = "; ".join(_channel_words(m, s, k))
        for n, (reports, mask) in enumerate((
                (roles.RECEIVES, RX_MODE), (roles.SENDS, TX_ENABLE), (roles.OTHER, EXT_ENABLE))):
            bit = 3 * k + n
            out.append(Request(bit, f"channel {'ab'[k]}", reports, bool(c.wr[1] & mask),
                               bool(m.ip[s.slot] >> bit & 1), words))
    return out


def complaints(m: Any, s: Any) -> list[Complaint]:
    """Give channels not set up, halves that are off, pins, clocks, bytes held and lost."""
    out = []
    for k, (c, line) in enumerate(zip(s.channel, (s.line_a, s.line_b), strict=True)):
        name = "ab"[k]
        part, control, data = f"channel {name}", f"{name}-control", f"{name}-data"
        if not c.wr[4]:
            out.append(Complaint(roles.NOT_SET_UP, part, control))
            continue
        if not c.wr[3] & RX_ON:
            out.append(Complaint(roles.RECEIVER_OFF, part, control))
        if not c.wr[5] & TX_ON:
            out.append(Complaint(roles.SENDER_OFF, part, control))
        out += [*serial_report.pins(c, part, control, f"-{name}"),
                *serial_report.clock(line, part, f"-{name}")]
        if c.tx_full and not sending(line):
            out.append(Complaint(roles.BYTE_HELD, part, data))
        out += serial_report.lost(c.overruns, part, data)
    return out


def risks(m: Any, s: Any) -> list[str]:
    """Give what leans on readings of the manual that no chip has settled."""
    out = []
    for name, c in zip("ab", s.channel, strict=True):
        if c.stale_reads:
            out.append(f"CTS or DCD of channel {name} was read {int(c.stale_reads)} times as it "
                       f"had been at an earlier change: RR0 stands still until command 2 (10h)")
        if c.rearmed:
            out.append(f"command 4 (20h) was written {int(c.rearmed)} times to channel {name} "
                       f"with characters waiting; whether they interrupt is unsettled (jumper "
                       f"next-character), so read them first")
    if s.freed:
        out.append(f"channel A was reset {int(s.freed)} times with an interrupt under service; "
                   f"that this ends the service is not certain (jumper channel-reset), so run RETI "
                   f"or write command 7 (38h) first")
    return out
