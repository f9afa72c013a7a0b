"""What the writers of a trace know of the machine: clock, slot names, symbols."""
from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from emu.bus.state import OUTPUTS
from emu.errors import printable
from emu.files.symbols import SymbolTable
from emu.logs.codebook import CodeBook
from emu.logs.cycles import driver_names
from emu.logs.edges import chained
from emu.logs.lines import LINE_OUTPUT, LINE_WAVE
from emu.logs.serial_lines import waves
from emu.machine.machine import Machine, Slot


@dataclass(frozen=True)
class Setting:
    """Facts of one machine that do not change while it runs."""

    name: str
    hz: Fraction
    seed: int
    drivers: list[str]  # 256 names by driver code, see emu/logs/cycles.py
    slots: dict[str, int]  # slot numbers by name
    ports: dict[str, tuple[tuple[int, int], ...]]  # (mask, value) rows by slot name
    chained: tuple[int, ...]  # slots with IEI and IEO, the first in the chain first
    probes: dict[int, str]  # lines of cards that a waveform shows, "slot_line" by line number
    symbols: dict[int, SymbolTable]  # by slot number
    bases: dict[int, int]  # where the slots' memory stands in phys
    book: CodeBook


def setting_of(machine: Machine) -> Setting:
    """Gather the facts of a machine."""
    m = machine.m
    symbols: dict[int, SymbolTable] = {}
    ports = {}
    for slot, described in zip(machine.slots, machine.description.slots, strict=True):
        ports[slot.name] = tuple((row.mask, row.port & row.mask) for row in described.ports)
        for image in described.images.values():
            known = symbols.get(slot.number, SymbolTable())
            symbols[slot.number] = known.merge(image.symbols)
    bases = {slot.number: int(m.mem_base[slot.number]) for slot in machine.slots
             if m.mem_size[slot.number] > 0}
    return Setting(
        printable(machine.description.name, ""), machine.hz, machine.seed,
        driver_names([slot.name for slot in machine.slots]),
        {slot.name: slot.number for slot in machine.slots}, ports,
        chained(m), _probes(machine), symbols, bases,
        CodeBook(symbols, bases))


def _probes(machine: Machine) -> dict[int, str]:
    pins = {LINE_OUTPUT + slot.number * OUTPUTS + slot.card.outputs.index(name):
            f"{slot.name}_{name.replace('-', '_')}"
            for slot in machine.slots for name in _pins(machine, slot)}
    return pins | {LINE_WAVE + number: name for number, name in enumerate(waves(machine))}


def _pins(machine: Machine, slot: Slot) -> tuple[str, ...]:
    """List the outputs of a card that are shown.

    Those of a timer may be steady clocks: their edges are known only where another card is told.
    """
    card = slot.card
    if card.probes or not card.timer:
        return card.probes or card.outputs
    told = {wire.output for wire in machine.description.wires if wire.source == slot.name
            and not machine.slot(wire.target).card.takes_clock(wire.input)}
    return tuple(name for number, name in enumerate(card.outputs) if number in told)
