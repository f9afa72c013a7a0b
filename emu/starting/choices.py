"""What a new project's machine is made of."""
from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from emu.bus.clock import parse_frequency

MEMORY = {
    "plain": ('card = "plain-memory"', 'rom-size = 0x8000', 'ram-start = 0x8000'),
    "banked": ('card = "banked-memory"', 'window-size = 16384', 'ram-page = 0x20',
               'base = 0x78'),
}
SIZES = {"plain": 32 << 10, "banked": 512 << 10}  # bytes of the ROM's chip
BAUD = 115200
TERMINAL = f'{{ baud = {BAUD}, format = "8N1" }}'
SERIAL = {  # slot, what it is, names of the clock and the terminal, dividers of the clock
    "acia": ("acia", ('card = "acia-6850"', 'base = 0x80'), "", (1, 16, 64)),
    "sio": ("sio", ('card = "z80-sio"', 'base = 0x80'), "-a", (1, 16, 32, 64)),
}
CRYSTAL = "1.8432 MHz"  # of the serial card, where the CPU's clock does not give the rate
POLLED = "interrupt = false  # polled: it gives no vector, the timer does"
TIMER = {
    "none": (),
    "ctc": ('card = "z80-ctc"', 'base = 0x88'),
}


@dataclass(frozen=True)
class Choices:
    """The answers: a clock such as "7.3728 MHz", and keys of MEMORY, SERIAL and TIMER."""

    name: str
    clock: str = "7.3728 MHz"
    memory: str = "plain"
    serial: str = "acia"
    timer: str = "ctc"
    image: str = "images/rom.bin"
    until: str = "> "


def backplane(choices: Choices) -> str:
    """Write the backplane file."""
    slot = SERIAL[choices.serial][0]
    chain = [name for name, used in (("ctc", choices.timer == "ctc"),
                                     ("sio", choices.serial == "sio")) if used]
    quoted = ", ".join(f'"{name}"' for name in chain)
    lines = [f'name = "{choices.name}"', "", "[backplane]"]
    if chain:
        lines.append(f"chain = [{quoted}]  # IEI/IEO, from the CPU's end")
    lines += ['floating = "pull-ups"  # what an undriven data bus reads: "last-byte" without them',
              "", "[slot.cpu]", 'card = "z80-cpu"', f'clock = "{choices.clock}"', "",
              "[slot.memory]", *MEMORY[choices.memory], f'image = "{choices.image}"']
    if TIMER[choices.timer]:
        lines += ["", "[slot.ctc]", *TIMER[choices.timer]]
    lines += ["", f"[slot.{slot}]", *_serial(choices), ""]
    return "\n".join(lines)


def _serial(choices: Choices) -> list[str]:
    """Write the serial card with a clock that gives its terminal's rate."""
    _, lines, channel, dividers = SERIAL[choices.serial]
    hertz: Fraction = parse_frequency(choices.clock)
    clock = "cpu" if hertz / BAUD in dividers else CRYSTAL
    polled = [POLLED] if choices.serial == "acia" and TIMER[choices.timer] else []
    return [*lines, f'clock{channel} = "{clock}"', f"terminal{channel} = {TERMINAL}", *polled]
