"""Operators for electrical faults: one of the kinds of docs/faults.md in a sound machine."""
from __future__ import annotations

import random
from typing import Any

from mutants.kernel import MEMORY_CARDS, Kernel
from mutants.model import BACKPLANE, Mutant, Registry, Setting

REGISTRY = Registry(BACKPLANE, 1)
HIGH_LEVEL = 1


def _fault(kernel: Kernel, name: str, names: list[str], why: str, key: str = "",
           **fields: Any) -> Mutant:
    kind = name.removeprefix("fault-")
    for suffix in ("-rom", "-ram"):
        kind = kind.removesuffix(suffix)
    row = {"kind": kind, **{key.rstrip("_"): value for key, value in fields.items()}}
    faults = [*kernel.tree.get("fault", []), row]
    return Mutant(kernel.name, name, key or "bus", BACKPLANE, tuple(names), why=why,
                  settings=(Setting(("fault",), faults),))


def _ranges(kernel: Kernel) -> tuple[tuple[int, int], tuple[int, int]]:
    """Give the addresses of ROM and RAM; a banked machine counts by its halves."""
    slot = kernel.slots[kernel.memory]
    if slot["card"] != "plain-memory":
        return (0, 0x1FFF), (0x8000, 0xFFFF)
    rom = slot.get("rom-start", 0), slot.get("rom-start", 0) + slot.get("rom-size", 0x8000) - 1
    ram = slot.get("ram-start", 0x8000)
    last = min(0xFFFF, ram + slot.get("ram-size", 0x8000) - 1)
    return rom, (rom[1] + 1 if ram <= rom[1] < last else ram, last)


def _line(kernel: Kernel, salt: str, below: int) -> int:
    return random.Random(kernel.name + salt).randrange(below)


@REGISTRY.add("fault-data-stuck-rom")
def data_rom(kernel: Kernel) -> list[Mutant]:
    """A data line of the ROM is shorted."""
    line, (first, last) = _line(kernel, "data", 8), _ranges(kernel)[0]
    return [_fault(kernel, "fault-data-stuck-rom", [f"D{line}"], "one bit of each byte is wrong",
                   line=line, level=HIGH_LEVEL, from_=first, to=last)]


@REGISTRY.add("fault-data-stuck-ram")
def data_ram(kernel: Kernel) -> list[Mutant]:
    """A data line of the RAM is open."""
    line, (first, last) = _line(kernel, "ram", 8), _ranges(kernel)[1]
    return [_fault(kernel, "fault-data-stuck-ram", [f"D{line}"], "one bit of each byte is lost",
                   line=line, level=0, from_=first, to=last)]


@REGISTRY.add("fault-data-swapped")
def data_swapped(kernel: Kernel) -> list[Mutant]:
    """Two data lines of the ROM are exchanged."""
    line, (first, last) = _line(kernel, "swap", 7), _ranges(kernel)[0]
    return [_fault(kernel, "fault-data-swapped", [f"D{line}", f"D{line + 1}"],
                   "two bits of each byte change places", line=line, with_=line + 1, from_=first,
                   to=last)]


@REGISTRY.add("fault-address-stuck-rom")
def address_rom(kernel: Kernel) -> list[Mutant]:
    """An address line of the ROM is open."""
    line, (first, last) = _line(kernel, "address", 9), _ranges(kernel)[0]
    return [_fault(kernel, "fault-address-stuck-rom", [f"A{line}"],
                   "half of the bytes are read in the place of others", line=line,
                   level=HIGH_LEVEL, from_=first, to=last)]


@REGISTRY.add("fault-address-stuck-ram")
def address_ram(kernel: Kernel) -> list[Mutant]:
    """An address line of the RAM is shorted."""
    line, (first, last) = _line(kernel, "ramaddress", 8), _ranges(kernel)[1]
    return [_fault(kernel, "fault-address-stuck-ram", [f"A{line}"],
                   "two bytes share one place", line=line, level=0, from_=first, to=last)]


@REGISTRY.add("fault-address-swapped")
def address_swapped(kernel: Kernel) -> list[Mutant]:
    """Two address lines of the ROM are exchanged."""
    line, (first, last) = _line(kernel, "aswap", 8), _ranges(kernel)[0]
    return [_fault(kernel, "fault-address-swapped", [f"A{line}", f"A{line + 1}"],
                   "bytes stand in each other's places", line=line, with_=line + 1, from_=first,
                   to=last)]


def _cards(kernel: Kernel) -> list[str]:
    return [name for name, slot in kernel.slots.items()
            if slot["card"] not in (*MEMORY_CARDS, "z80-cpu")]


@REGISTRY.add("fault-card-silent")
def silent(kernel: Kernel) -> list[Mutant]:
    """A card is fitted and answers nothing."""
    return [_fault(kernel, "fault-card-silent",
                   [name, *(f"{port:#04x}" for port in kernel.ports_of(name))],
                   "nobody drives the bus at its ports", name, slot=name)
            for name in _cards(kernel)]


@REGISTRY.add("fault-ram-dead")
def ram_dead(kernel: Kernel) -> list[Mutant]:
    """The RAM has no supply."""
    first, last = _ranges(kernel)[1]
    return [_fault(kernel, "fault-ram-dead", ["RAM", f"@{first:#06x}-{last:#06x}"],
                   "writes are lost and reads float", from_=first, to=last)]


@REGISTRY.add("fault-slow-memory")
def slow_memory(kernel: Kernel) -> list[Mutant]:
    """The ROM is far too slow for the clock."""
    first, last = _ranges(kernel)[0]
    return [_fault(kernel, "fault-slow-memory", ["ROM", "late", "ns", kernel.memory],
                   "the CPU samples before the data come", access=900, from_=first, to=last)]


@REGISTRY.add("fault-slow-io")
def slow_io(kernel: Kernel) -> list[Mutant]:
    """A card is far too slow for the clock."""
    return [_fault(kernel, "fault-slow-io", [name, *(f"{p:#04x}" for p in kernel.ports_of(name))],
                   "the CPU samples before the data come", name, slot=name, access=2000)
            for name in _cards(kernel)[:2]]


@REGISTRY.add("fault-vector-blocked")
def vector(kernel: Kernel) -> list[Mutant]:
    """A bus buffer points the wrong way in an acknowledge."""
    return [_fault(kernel, "fault-vector-blocked", [slot, "vector"], "the CPU reads FFh", slot,
                   slot=slot) for slot in kernel.chain[:2]]


@REGISTRY.add("fault-chain-reversed")
def chain(kernel: Kernel) -> list[Mutant]:
    """A card's IEI and IEO are exchanged."""
    return [_fault(kernel, "fault-chain-reversed", [*kernel.chain, "IEI"],
                   "its own IEI is driven by nobody", slot, slot=slot)
            for slot in kernel.chain[:2]]


@REGISTRY.add("fault-int-open")
def int_open(kernel: Kernel) -> list[Mutant]:
    """A card's /INT output does not reach the CPU."""
    return [_fault(kernel, "fault-int-open", [name, "INT"], "the CPU's pin stays high", name,
                   slot=name) for name, slot in kernel.slots.items()
            if slot["card"] in ("z80-sio", "acia-6850", "uart-16550", "z80-ctc", "z80-pio")]


@REGISTRY.add("fault-int-low")
def int_low(kernel: Kernel) -> list[Mutant]:
    """/INT is low all the time."""
    return [_fault(kernel, "fault-int-low", ["INT"], "acknowledges that nobody answers")]


@REGISTRY.add("fault-reti-unseen")
def reti(kernel: Kernel) -> list[Mutant]:
    """The cards do not see RETI."""
    return [_fault(kernel, "fault-reti-unseen", [*kernel.chain, "RETI"],
                   "the service stays open")] if kernel.chain else []


@REGISTRY.add("fault-nmi-noise")
def nmi(kernel: Kernel) -> list[Mutant]:
    """/NMI has no pull-up."""
    return [_fault(kernel, "fault-nmi-noise", ["NMI", "0066h"], "the CPU calls 0066h at random",
                   every=0.05)]


def _held(kernel: Kernel, name: str, line: str) -> list[Mutant]:
    at = random.Random(kernel.name + name).choice([0, round(kernel.limit / 3, 3)])
    return [_fault(kernel, name, [line], f"{line} stays low", str(at), at=at)]


@REGISTRY.add("fault-reset-held")
def reset(kernel: Kernel) -> list[Mutant]:
    """RESET stays low."""
    return _held(kernel, "fault-reset-held", "RESET")


@REGISTRY.add("fault-wait-held")
def wait(kernel: Kernel) -> list[Mutant]:
    """WAIT stays low."""
    return _held(kernel, "fault-wait-held", "WAIT")


@REGISTRY.add("fault-busreq-held")
def busreq(kernel: Kernel) -> list[Mutant]:
    """BUSREQ stays low."""
    return _held(kernel, "fault-busreq-held", "BUSREQ")


@REGISTRY.add("fault-no-pull-ups")
def pull_ups(kernel: Kernel) -> list[Mutant]:
    """The data lines have no pull-ups."""
    return [_fault(kernel, "fault-no-pull-ups", ["bus", "pull-ups", "float"],
                   "an undriven bus keeps its last byte")]
