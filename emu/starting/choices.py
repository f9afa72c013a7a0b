"""What a new project's machine is made of: its kinds of cards, and the numbers that each takes."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from emu.bus.clock import parse_frequency
from emu.errors import InputError
from emu.starting.numbers import BY_KIND, FLASH, PORTS, RAM, held, shown, usual

KINDS = {"memory": ("banked", "plain"), "serial": ("sio", "acia"), "timer": ("ctc", "none")}
IMAGES = {"none": "images/rom.bin", "asm": "rom.elf", "c": "rom.ihx"}  # by the starter's language
DIVIDERS = {"sio": (16, 32, 64), "acia": (16, 64)}  # of the clock of the serial lines
FARTHEST = Fraction(1, 50)  # that a rate may be off
POLLED = "interrupt = false  # polled: it gives no vector, the timer does"


@dataclass(frozen=True)
class Choices:
    """The answers: a clock such as "6.144 MHz", keys of KINDS and IMAGES, and numbers by name.

    ``own_image`` is an image beside the project's files, ``source`` what its checks install
    preburn from.  Raises InputError when a number belongs to none of the cards, the RAM covers
    the ROM, or the serial clock does not give the terminal's rate.
    """

    name: str
    clock: str = "6.144 MHz"
    memory: str = "banked"
    serial: str = "sio"
    timer: str = "ctc"
    language: str = "none"
    own_image: str = ""
    source: str = ""
    until: str = "> "
    numbers: Mapping[str, int] = field(default_factory=dict)
    serial_clock: str = "614.4 kHz"

    def __post_init__(self) -> None:
        asked = self.asked()
        for key, value in self.numbers.items():
            if key not in asked:
                card = next(kind for kind, keys in BY_KIND.items() if key in keys)
                raise InputError(f"--{key} belongs to the {card} card, which is not chosen; leave "
                                 f"it out.")
            held(key, value)
        behind, rom = (("ram-start", self.number("rom-size")) if self.memory == "plain" else
                       ("ram-page", FLASH // self.number("window-size")))
        if self.number(behind) < rom:
            raise InputError(f"--{behind} {shown(behind, self.number(behind))} lies in the ROM, "
                             f"which ends before {rom:#x}; name {rom:#x} or more.")
        self._held_apart()
        self.divider()

    def _held_apart(self) -> None:
        """Raise InputError when two cards stand at one port, or one beyond FFh."""
        taken: dict[int, str] = {}
        for key, count in PORTS.items():
            if key not in self.asked():
                continue
            base = self.number(key)
            count += 0x10000 // self.number("window-size") if key == "page-base" else 0
            for port in range(base, base + count):
                if port > 0xFF or port in taken:
                    where = "beyond FFh" if port > 0xFF else f"at --{taken[port]}'s"
                    raise InputError(f"--{key} {base:#04x}: its port {port:#04x} lies {where}; "
                                     f"name another base.")
                taken[port] = key

    def asked(self) -> list[str]:
        """Name the numbers that the chosen cards take."""
        return [key for kind in (self.memory, self.serial, self.timer)
                for key in BY_KIND.get(kind, ())]

    def number(self, key: str) -> int:
        """Give a number of the chosen cards."""
        return self.numbers.get(key, usual(key, self.numbers))

    @property
    def image(self) -> str:
        """The image as the backplane file names it."""
        return self.own_image or IMAGES[self.language]

    @property
    def baud(self) -> int:
        """The terminal's rate."""
        return self.number("baud")

    def divider(self) -> int:
        """Give the divider that the serial card is told; InputError when none gives the rate."""
        text = self.clock if self.serial_clock == "cpu" else self.serial_clock
        hertz: Fraction = parse_frequency(text)
        best = min(DIVIDERS[self.serial], key=lambda n: abs(hertz / n - self.baud))
        if abs(hertz / best / self.baud - 1) > FARTHEST:
            rates = ", ".join(f"{float(hertz / n):g}" for n in DIVIDERS[self.serial])
            raise InputError(f"a serial clock of {text} gives {rates} baud on this card, not "
                             f"{self.baud}; name another --baud or --serial-clock.")
        return best

    def rom_bytes(self) -> int:
        """Give the bytes of the ROM's chip."""
        return FLASH if self.memory == "banked" else self.number("rom-size")


def backplane(choices: Choices) -> str:
    """Write the backplane file."""
    chain = [name for name, used in (("ctc", choices.timer == "ctc"),
                                     ("sio", choices.serial == "sio")) if used]
    quoted = ", ".join(f'"{name}"' for name in chain)
    lines = [f'name = "{choices.name}"', "", "[backplane]"]
    if chain:
        lines.append(f"chain = [{quoted}]  # IEI/IEO, from the CPU's end")
    lines += ['floating = "pull-ups"  # what an undriven data bus reads: "last-byte" without them',
              "", "[slot.cpu]", 'card = "z80-cpu"', f'clock = "{choices.clock}"', "",
              "[slot.memory]", *_memory(choices), f'image = "{choices.image}"']
    if choices.language == "c":
        lines.append('symbols = "rom.cdb"')
    if choices.timer == "ctc":
        lines += ["", "[slot.ctc]", 'card = "z80-ctc"',
                  f"base = 0x{choices.number('timer-base'):02X}"]
    lines += ["", f"[slot.{choices.serial}]", *_serial(choices), ""]
    return "\n".join(lines)


def _memory(choices: Choices) -> list[str]:
    if choices.memory == "plain":
        start = choices.number("ram-start")
        return ['card = "plain-memory"', f"rom-size = 0x{choices.number('rom-size'):04X}",
                f"ram-start = 0x{start:04X}", f"ram-size = 0x{0x10000 - start:04X}"]
    last = choices.number("ram-page") + RAM // choices.number("window-size") - 1
    wide = ["page-bits = 8"] if last > 0x7F else []
    base = f"base = 0x{choices.number('page-base'):02X}  # the page registers, then the latch"
    return ['card = "banked-memory"', f"window-size = {choices.number('window-size')}",
            f"ram-page = 0x{choices.number('ram-page'):02X}",
            base, *wide]


def _serial(choices: Choices) -> list[str]:
    card, channel = {"acia": ("acia-6850", ""), "sio": ("z80-sio", "-a")}[choices.serial]
    polled = [POLLED] if choices.serial == "acia" and choices.timer == "ctc" else []
    base = choices.number(f"{choices.serial}-base")
    return [f'card = "{card}"', f"base = 0x{base:02X}",
            f'clock{channel} = "{choices.serial_clock}"',
            f'terminal{channel} = {{ baud = {choices.baud}, format = "8N1" }}', *polled]
