"""What a new project's machine is made of."""
from __future__ import annotations

from dataclasses import dataclass

MEMORY = {
    "plain": ('card = "plain-memory"', 'rom-size = 0x8000', 'ram-start = 0x8000'),
    "banked": ('card = "banked-memory"', 'window-size = 16384', 'ram-page = 0x20',
               'base = 0x78'),
}
SERIAL = {
    "acia": ("acia", ('card = "acia-6850"', 'base = 0x80', 'clock = "cpu"',
                      'terminal = { baud = 115200, format = "8N1" }')),
    "sio": ("sio", ('card = "z80-sio"', 'base = 0x80', 'clock-a = "cpu"',
                    'terminal-a = { baud = 115200, format = "8N1" }')),
}
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
    slot, serial = SERIAL[choices.serial]
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
    lines += ["", f"[slot.{slot}]", *serial, ""]
    return "\n".join(lines)
