"""A Z80 DMA in words, and what goes wrong at it, as its own record shows it.

Plain Python over the card's record; `Trouble` says what stands in braces.
"""
from __future__ import annotations

from typing import Any

from emu.bus.wires import source_of
from peripherals.card import Complaint, Request, Trouble, roles
from peripherals.z80_dma_engine import ready, set_enabled
from peripherals.z80_dma_state import (
    CONTINUOUS,
    FROM_A,
    MODES,
    READY_HIGH,
    TRANSFER,
    A,
    B,
)

WORKS = ("nothing", "transfer", "search", "transfer and search")


def _mode(s: Any) -> int:
    return int(s.wr4) >> 5 & 3


def _port(s: Any, k: int) -> str:
    way = {1: "counting up", -1: "counting down", 0: "fixed"}[int(s.step[k])]
    kind = "port" if s.io[k] else "memory"
    return f"{kind} {int(s.address[k]):04X}h, {way}"


def _wire(m: Any, s: Any) -> bool:
    return int(source_of(m, int(s.slot), 0)) >= 0


def describe(m: Any, s: Any) -> list[str]:
    """Tell what it is programmed for, how far it is, and who has the bus."""
    state = ("has the bus" if int(m.bus_owner) == int(s.slot) + 1
             else "asks for the bus" if s.asking else "enabled" if s.enabled else "disabled")
    arrow = "A to B" if int(s.wr0) & FROM_A else "B to A"
    active = "high" if int(s.wr5) & READY_HIGH else "low"
    now = "forced" if s.forced else "active" if ready(m, s) else "not active"
    lines = [
        f"{state}; {WORKS[int(s.wr0) & 3]}, {arrow}, {MODES[_mode(s)]}; {int(s.moved)} bytes of a "
        f"block of {int(s.length) + 1} moved, {int(s.bytes)} in all",
        f"port A: {_port(s, A)}; port B: {_port(s, B)}",
        f"RDY is active {active}, now {now}; interrupts {'on' if s.interrupts else 'off'}, vector "
        f"{int(s.vector):02X}h",
    ]
    if s.ended or s.found:
        lines.append("; ".join(words for bit, words in ((s.ended, "end of block reached"),
                                                        (s.found, "match found")) if bit))
    return lines


def _waits(m: Any, s: Any) -> bool:
    """Tell whether it is enabled and sits there without ready."""
    return bool(s.enabled) and not ready(m, s)


def requests(m: Any, s: Any) -> list[Request]:
    """Give its one source."""
    return [Request(0, "chip", roles.OTHER, bool(s.interrupts), bool(m.ip[s.slot]),
                    "; ".join(describe(m, s)))]


def complaints(m: Any, s: Any) -> list[Complaint]:
    """Give a chip that is enabled and waits for its ready line."""
    return [Complaint(roles.WAITS_FOR_PARTNER, register="control")] if _waits(m, s) else []


def _force(m: Any, s: Any) -> None:
    s.forced = 1
    set_enabled(m, s, 0, int(m.t))
    set_enabled(m, s, 1, int(m.t))


def _level_words(s: Any) -> str:
    return "high" if int(s.wr5) & READY_HIGH else "low"


def holds_bus(m: Any, s: Any) -> Trouble | None:
    """Continuous mode that keeps the bus while RDY is not active."""
    if not s.holding or _mode(s) != CONTINUOUS or ready(m, s):
        return None
    return Trouble(
        "dma-holds-bus",
        "{card} keeps the bus in continuous mode and waits for RDY: the CPU stands still.",
        [f"/BUSACK is low since T-state {int(s.holding_t)}; {int(s.moved)} of "
         f"{int(s.length) + 1} bytes have moved.",
         f"RDY is active {_level_words(s)} and is not; continuous mode (WR4 bits 6-5 = 01) keeps "
         f"the bus until it is."],
        ["Use burst mode (10) or byte mode (00) in WR4 for a device that is slower than the bus; "
         "look at the wire of RDY and its level (WR5 bit 3)."],
        int(s.holding_t), lambda m, s: setattr(s, "wr4", int(s.wr4) & ~0x60 | 0x40), waiting=True)


def not_forced(m: Any, s: Any) -> Trouble | None:
    """Memory to memory without force ready, and nothing at RDY."""
    if not _waits(m, s) or _wire(m, s) or s.io[A] or s.io[B] or s.holding:
        return None
    return Trouble(
        "dma-not-forced",
        "{card} is enabled for memory only and waits for RDY, which nothing drives.",
        [f"It was enabled at T-state {int(s.enabled_t)} and {int(s.moved)} bytes have moved.",
         f"RDY is active {_level_words(s)}, no wire reaches it, and FORCE READY was not sent "
         f"since the last LOAD."],
        ["Send B3h (force ready) to {control} after LOAD (CFh) and before 87h."],
        int(s.enabled_t), _force, waiting=True)


def never_ready(m: Any, s: Any) -> Trouble | None:
    """Enabled, and RDY does not come."""
    if not _waits(m, s) or s.holding or not (_wire(m, s) or s.io[A] or s.io[B]):
        return None
    seen = int(s.ready_t)
    last = "never active since power-on" if seen < 0 else f"last active at T-state {seen}"
    wired = "a wire reaches it" if _wire(m, s) else "no wire reaches it"
    return Trouble(
        "dma-never-ready",
        "{card} is enabled and waits for RDY, which does not come.",
        [f"It was enabled at T-state {int(s.enabled_t)}; {int(s.moved)} of {int(s.length) + 1} "
         f"bytes have moved.",
         f"RDY is active {_level_words(s)} (WR5 bit 3); it was {last}, and {wired}."],
        ["Wire the device's ready or DRQ line to RDY, and give WR5 bit 3 its active level; the "
         "device must be set up before the chip is enabled."],
        int(s.enabled_t), _force, waiting=True)


def not_loaded(m: Any, s: Any) -> Trouble | None:
    """Addresses written and never taken over by LOAD."""
    if s.loads or not s.enabled_t or not (s.enabled or s.done or s.ended):
        return None
    return Trouble(
        "dma-not-loaded",
        "{card} was enabled without LOAD: it works at old addresses.",
        [f"Start addresses {int(s.start[A]):04X}h (A) and {int(s.start[B]):04X}h (B) were written, "
         f"and no LOAD (CFh) came before it was enabled at T-state {int(s.enabled_t)}.",
         f"Its counters stand at {int(s.address[A]):04X}h and {int(s.address[B]):04X}h."],
        ["Send CFh to {control} after the addresses and before 87h."],
        int(s.enabled_t))


def fixed_not_loaded(m: Any, s: Any) -> Trouble | None:
    """A fixed destination, which LOAD leaves alone."""
    to = B if int(s.wr0) & FROM_A else A
    if not s.loads or not int(s.wr0) & TRANSFER or int(s.step[to]) != 0 or not s.done:
        return None
    if int(s.address[to]) == int(s.start[to]):
        return None
    name = "AB"[to]
    return Trouble(
        "dma-fixed-destination",
        "{card} writes to another address than port " + name + "'s: LOAD does not take a fixed "
        "destination.",
        [f"Port {name} is the destination and fixed; its start address is "
         f"{int(s.start[to]):04X}h, and the chip writes to {int(s.address[to]):04X}h.",
         "LOAD takes the address of a fixed port only while that port is the source."],
        [f"Make port {name} the source (WR0 bit 2), send CFh, turn the direction and send CFh "
         f"again."], int(s.enabled_t))


def no_vector(m: Any, s: Any) -> Trouble | None:
    """An interrupt answered with whatever stood in the vector register."""
    if not s.answers or s.vectors:
        return None
    return Trouble(
        "dma-no-vector",
        "{card} answers its interrupt with a vector that nobody wrote.",
        [f"It answered {int(s.answers)} interrupts with {int(s.vector):02X}h, what the register "
         f"held at power-on."],
        ["Write the vector: WR4 with bit 4, then the interrupt control byte with bit 4, then the "
         "vector."], int(s.enabled_t))


def troubles(m: Any, s: Any) -> list[Trouble]:
    """Tell what went wrong."""
    found = (holds_bus(m, s), not_forced(m, s), never_ready(m, s), not_loaded(m, s),
             fixed_not_loaded(m, s), no_vector(m, s))
    return [trouble for trouble in found if trouble is not None]
