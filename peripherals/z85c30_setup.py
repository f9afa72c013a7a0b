"""A Z85C30-type SCC's jumpers, power-on, margins and rates."""
from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

from emu.bus.state import FAR
from emu.errors import InputError
from peripherals.card import BAUD, Ask, Jumper, Margin, Setup, Way, Write, divided, near
from peripherals.serial_pins import pin_jumpers, tie
from peripherals.serial_setup import character_time, connect
from peripherals.z80_sio_channel import RX_MODE
from peripherals.z85c30_channel import BRG_ON, BRG_PCLK


def _clock(setup: Setup, name: str) -> tuple[int, int]:
    hertz = setup.settings[name]
    if hertz == "none":
        return 0, 1
    if hertz == "cpu":
        return 1, 1
    try:
        return setup.period(Fraction(hertz))
    except ValueError as error:
        raise InputError(f"slot.{setup.name}: {name}: {error}.") from None


def power_on(setup: Setup) -> None:
    """Connect clocks, terminals and modem inputs."""
    s, settings = setup.state, setup.settings
    pclk = _clock(setup, "clock")
    if not pclk[0]:
        raise InputError(f'slot.{setup.name}: clock: the chip does nothing without PCLK; give its '
                         f'frequency, or "cpu".')
    s.clock_t[:] = FAR
    tie(s, settings)
    s.acks = int(settings["intack"] == "wired")
    s.recovery = math.ceil(Fraction(*pclk) * settings["recovery"])
    for k, (name, channel_line) in enumerate((("a", s.line_a), ("b", s.line_b))):
        connect(setup, channel_line, settings[f"terminal-{name}"])
        c = s.channel[k]
        c.pclk_num, c.pclk_den = pclk
        c.rtxc_num, c.rtxc_den = _clock(setup, f"rtxc-{name}")
        c.trxc_num, c.trxc_den = _clock(setup, f"trxc-{name}")


def jumpers(name: str) -> tuple[Jumper, ...]:
    """Give one channel's jumpers."""
    upper = name.upper()
    return (
        Jumper(f"rtxc-{name}", "clock", "none", f"clock at RTxC{upper}, unless a wire ends there"),
        Jumper(f"trxc-{name}", "clock", "none", f"clock at TRxC{upper}"),
        Jumper(f"terminal-{name}", "terminal", {}, f"what stands at channel {upper}"),
        *pin_jumpers(name),
    )


def margins(_: Any, s: Any) -> list[Margin]:
    """A channel that interrupts for each character holds three."""
    return [Margin(f"receive {name}", 3 * character_time(channel_line))
            for k, (name, channel_line) in enumerate((("a", s.line_a), ("b", s.line_b)))
            if s.channel[k].wr[1] & RX_MODE == 0x10 and channel_line.typed_out]


def rates(ask: Ask) -> list[Way]:
    """Give the generators' time constants nearest to a baud rate at x16, and RTxC itself, at
    8 bits, no parity, 1 stop bit, with receiver, transmitter, DTR and RTS on."""
    if ask.purpose != BAUD:
        return []
    pclk = ask.settings["clock"]
    pclk = ask.cpu_hz if pclk == "cpu" else Fraction(pclk)
    found = []
    for name in ("a", "b"):
        control = f"{name}-control"
        count = near(ask.want * 32, pclk, 65537)
        constant = max(count - 2, 0)
        sets = (4, 0x44, 3, 0xC1, 5, 0xEA, 11, 0x50, 12, constant & 0xFF, 13, constant >> 8,
                14, BRG_ON | BRG_PCLK)
        found.append(Way(pclk / (32 * (constant + 2)), name,
                         f"PCLK / 16 / 2 / ({constant} + 2)",
                         tuple(Write(control, byte) for byte in sets)))
        modes = ((1, 0x04), (16, 0x44), (32, 0x84), (64, 0xC4))
        found += divided(ask, f"rtxc-{name}", name, [
            (ratio, tuple(Write(control, byte) for byte in (4, wr4, 3, 0xC1, 5, 0xEA, 11, 0)))
            for ratio, wr4 in modes])
    return found
