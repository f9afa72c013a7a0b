"""Put faults into the simulated machine until it does what a board did from reset on.

A board with a swapped or stuck line runs another program than the image, so its capture
fits nowhere; but a machine with the same fault runs the same other program.
"""
from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from emu.backplane.description import CPU_CARD, Description
from emu.backplane.faults import parse, settle
from emu.bus.state import FETCH
from emu.compare.align import common
from emu.compare.alignment import settled
from emu.compare.anchor import Shown, keys
from emu.compare.capture import Capture
from emu.compare.simulated import LoggedMachine

MOST = 3000  # captured cycles that are held against each machine
FEWEST = 48  # that must agree, and twice as many as without the fault
T_STATES = 12  # a bus cycle takes hardly more, wait states not counted


@dataclass(frozen=True)
class Experiment:
    """The fault with which a machine does what the board did, for how many cycles."""

    fault: str  # as --fault takes it
    agree: int
    of: int
    healthy: int  # cycles that agree without a fault

    def __str__(self) -> str:
        return (f"from reset on, a machine with the fault {self.fault} does the same for "
                f"{self.agree} of {self.of} captured cycles; without it for {self.healthy}")


def candidates(description: Description) -> Iterator[str]:
    """List the faults that are tried, as --fault takes them."""
    for a, b in itertools.combinations(range(8), 2):
        yield f"data-swapped,line={a},with={b}"
    for line, level in itertools.product(range(8), (0, 1)):
        yield f"data-stuck,line={line},level={level}"
    for line in range(15):
        yield f"address-swapped,line={line},with={line + 1}"
    for line, level in itertools.product(range(16), (0, 1)):
        yield f"address-stuck,line={line},level={level}"
    for slot in description.slots:
        if slot.card.name != CPU_CARD:
            yield f"card-silent,slot={slot.name}"
    yield "ram-dead"


def from_reset(captured: np.ndarray, shown: Shown) -> int | None:
    """Find the first captured fetch from address 0, where enough of the address is shown."""
    if shown.address.bit_count() < 8:
        return 0
    found = np.flatnonzero((captured["kind"] == FETCH) & (captured["address"] & shown.address == 0))
    return int(found[0]) if len(found) else None


def agreeing(description: Description, seed: int, wanted: NDArray[np.int64],
             shown: Shown) -> int:
    """Count the cycles from reset on in which a machine does what is wanted."""
    machine = LoggedMachine(description, seed)
    machine.start()
    machine.run(len(wanted) * T_STATES)
    cycles = machine.cycles()
    return common(keys(cycles[settled(cycles, shown)], shown), wanted)


def find(description: Description, seed: int, capture: Capture) -> Experiment | None:
    """Find the fault with which the machine agrees longest from reset on, if one explains it."""
    shown = Shown(0xFF, capture.mask)
    start = from_reset(capture.cycles, shown)
    if start is None:
        return None
    own = capture.cycles[start:]
    wanted = keys(own[settled(own, shown)], shown)[:MOST]
    healthy = agreeing(description, seed, wanted, shown)
    names = tuple(slot.name for slot in description.slots)
    best = ("", 0)
    for text in candidates(description):
        fault = settle(parse(text), names, f"--fault {text}")
        broken = replace(description, faults=(*description.faults, fault))
        count = agreeing(broken, seed, wanted, shown)
        if count > best[1]:
            best = text, count
        if count == len(wanted):
            break
    if best[1] < max(FEWEST, 2 * healthy):
        return None
    return Experiment(*best, len(wanted), healthy)
