"""The instructions that the machine goes round in at the end, with names and source lines."""
from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from emu.diagnosis.evidence.bus_window import forked, look
from emu.files.symbols import SourceLine
from emu.isa.disassembler import disassemble
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.stepper.lookup import read_byte

STRETCH = 0.02  # emulated seconds looked at behind the run's end
MOST = 48  # instructions listed


@dataclass(frozen=True)
class Row:
    """An instruction: how often it ran, whether inside an interrupt handler, and its source."""

    address: int
    name: str
    text: str
    count: int
    handler: bool
    line: str
    source: str


def loop(machine: Machine) -> list[Row]:
    """List what runs behind the end of the run, in a copy, in order of address."""
    with forked(machine):
        window = look(machine, machine.at(STRETCH))
    starts = window.starts()
    counts = Counter(zip(window.address[starts].tolist(), window.depth[starts].tolist(),
                         strict=True))
    if not counts and int(machine.m.halted):
        counts[(int(machine.m.pc) - 1) & 0xFFFF, False] = 1
    names = Names(machine)
    often = sorted(counts, key=lambda place: -counts[place])[:MOST]
    return [_row(machine, names, address, handler, counts[address, handler])
            for address, handler in sorted(often)]


def _row(machine: Machine, names: Names, address: int, handler: bool, count: int) -> Row:
    text = disassemble(lambda at: read_byte(machine.m, at), address, names.symbol).text
    line = names.line(address)
    return Row(address, names.symbol(address) or "", text, count, bool(handler),
               "" if line is None else str(line),
               "" if line is None else _source(machine, line))


def _source(machine: Machine, line: SourceLine) -> str:
    """Find the text of a source line beside one of the images; nothing when it is not there."""
    for slot in machine.description.slots:
        for image in slot.images.values():
            lines = _lines(image.path.parent / line.file)
            if 0 < line.line <= len(lines):
                return " ".join(lines[line.line - 1].split())
    return ""


@cache
def _lines(path: Path) -> tuple[str, ...]:
    try:
        if path.stat().st_size > 1 << 20:
            return ()
        return tuple(path.read_text("utf-8", "replace").splitlines())
    except OSError:
        return ()
