"""The instructions that the machine goes round in at the end, with names and source lines."""
from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from emu.diagnosis.evidence.bus_window import forked, look
from emu.isa.disassembler import disassemble
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.machine.source_files import SourceFiles
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
    names, sources = Names(machine), SourceFiles(machine.description)
    often = sorted(counts, key=lambda place: -counts[place])[:MOST]
    return [_row(machine, names, sources, address, handler, counts[address, handler])
            for address, handler in sorted(often)]


def _row(machine: Machine, names: Names, sources: SourceFiles, address: int, handler: bool,
         count: int) -> Row:
    text = disassemble(lambda at: read_byte(machine.m, at), address, names.symbol).text
    line = names.line(address)
    return Row(address, names.symbol(address) or "", text, count, bool(handler),
               "" if line is None else str(line),
               sources.text(line))
