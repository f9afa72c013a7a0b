"""Write a trace as text: one line an instruction, or one a bus cycle.

An instruction's line: T-state, seconds, T-states it takes, wait states in them, address,
bytes, disassembly, who drove its first byte, symbol, source line; then every other bus
cycle with who drove it (nothing behind it: the CPU), and the registers that it changed.
`records.compact` makes a stay in HALT one line.  The lines are put together in
emu/logs/textlines.py.
"""
from __future__ import annotations

from typing import BinaryIO

from emu.bus.state import BUS_BACK, BUS_GIVEN, KIND_NAMES
from emu.logs import textlines
from emu.logs.codebook import Code
from emu.logs.kinds import CONTROLS, REGISTERS
from emu.logs.linewriter import LineWriter, Words
from emu.logs.records import Chunk, Flags
from emu.logs.setting import Setting

MOMENTS = (BUS_GIVEN, BUS_BACK)
TEXT = 22  # columns of an instruction's text
SYMBOL = 20
SOURCE = 14


class TextWriter:
    """Write chunks to a binary file; ``by_cycle``: a line a bus cycle."""

    def __init__(self, out: BinaryIO, setting: Setting, by_cycle: bool = False) -> None:
        self._width = max(len(name) for name in setting.drivers if name)
        hertz = float(setting.hz)
        out.write(f"# {setting.name}: {hertz / 1e6:.6g} MHz, seed {setting.seed}\n".encode())
        out.write(self._titles(by_cycle).encode())
        self._lines = LineWriter(
            out, setting, textlines.cycles if by_cycle else textlines.records,
            self._fixed(setting), cycle_words if by_cycle else record_words)

    def _titles(self, by_cycle: bool) -> str:
        start = f"#{'T-state':>11} {'seconds':>14}    T     "
        driver = "driver".ljust(self._width)
        if by_cycle:
            return f"{start}cycle       addr data {driver}  instruction, registers changed\n"
        return (f"{start}addr  {'bytes':<11}  {'instruction':<{TEXT}} {driver}  "
                f"{'symbol':<{SYMBOL}} {'source':<{SOURCE}} other cycles, registers changed\n")

    def _fixed(self, setting: Setting) -> list[bytes]:
        kinds = [*KIND_NAMES, ""]
        texts = [f" {kind}" + " " * (k not in MOMENTS) for k, kind in enumerate(kinds)]
        texts += [kind.ljust(11) for kind in kinds]
        texts += [name.ljust(self._width) for name in setting.drivers]
        texts += [f" ({name})" for name in setting.drivers]
        texts += [f" {name}=" for name in REGISTERS] + [""] * 4
        texts += [f" {name}=" for name in CONTROLS] + [""] * 12
        return [text.encode() for text in texts]

    def write(self, chunk: Chunk, chosen: Flags) -> None:
        """Write the chosen records, or cycles when ``by_cycle`` is set."""
        self._lines.write(chunk, chosen)


def record_words(code: Code) -> Words:
    """Give a code's columns before and behind the driver; it is told the bytes of the code."""
    behind = f"  {code.symbol:<{SYMBOL}} {code.source:<{SOURCE}}".encode()
    return ((f"{code.address:04X}  {code.data.hex(' ').upper():<11}  "
             f"{code.text:<{TEXT}} ".encode(), code.size),
            (behind, len(behind.rstrip())))


def cycle_words(code: Code) -> Words:
    """Give a code's columns behind the driver of its first bus cycle."""
    behind = f"  {code.text:<{TEXT}} {code.symbol:<{SYMBOL}} {code.source:<{SOURCE}}".encode()
    return (behind, len(behind.rstrip())), (b"", 0)
