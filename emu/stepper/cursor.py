"""Step by bus cycle and by T-state: a cursor over the bus cycles of one instruction.

The instruction is played ahead on the spare machine; the machine itself stands at the
boundary before it until the cursor leaves it behind, so changes are made there.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from emu.bus.state import ACK, BUS_GIVEN, IN, KIND_NAMES, OUT
from emu.logs import waveforms
from emu.logs.cycles import driver_names, is_master, lengths
from emu.logs.waveforms import ADDRESS, BUSACK, BUSREQ, DATA, FREE, STROBES, template
from emu.run.player import Spot
from emu.stepper.stepper import Event, Stepper
from emu.stepper.views import next_cycles

AUTOMATIC = {IN: 1, OUT: 1, ACK: 2}  # wait states that the CPU puts in by itself


@dataclass(frozen=True)
class Moment:
    """One T-state: its name in the cycle, what is on the buses, which pins are low in it."""

    t: int
    cycle: int  # number in the instruction, from 0
    cycles: int  # of the instruction
    kind: str
    name: str  # T1, T2, Tw, T3 ... or "internal"
    address: int
    data: int | None
    driver: str
    low: tuple[str, ...]


def _name(row: Any, length: int, k: int) -> str:
    """Name the k-th T-state of a cycle of so many."""
    kind, waits = int(row["kind"]), int(row["waits"])
    if is_master(kind):
        return f"T{k + 1}" if k < length else "internal"
    added = AUTOMATIC.get(kind, 0) + waits - (AUTOMATIC[ACK] if kind == ACK else 0)
    if k >= length:
        return "internal"
    if k < 2:
        return f"T{k + 1}"
    if k < 2 + added:
        return "Tw"
    return f"T{k - added + 1}"


def _levels(row: Any, half: int) -> dict[int, int]:
    """Give the signals of a cycle in one half T-state from its T1 on; strobes rest at 1."""
    levels = dict.fromkeys(range(len(STROBES)), 1) | {DATA: FREE, ADDRESS: int(row["address"])}
    if is_master(int(row["kind"])) or int(row["kind"]) == BUS_GIVEN:
        levels |= {BUSREQ: 0, BUSACK: 0}
    carried = {waveforms.ADDR: int(row["address"]), waveforms.REFR: int(row["refresh"]),
               waveforms.BYTE: int(row["data"]), waveforms.OPEN: FREE}
    at: dict[int, int] = {}
    for signal, when, per_wait, level in template(int(row["kind"]), int(row["refresh"])):
        when += 2 * per_wait * int(row["waits"])
        if at.get(signal, -1) <= when <= half:
            at[signal], levels[signal] = when, carried.get(level, level)
    return levels


class Cursor:
    """Where inside the instruction at PC the builder looks: ``offset`` T-states into it."""

    def __init__(self, stepper: Stepper) -> None:
        self.stepper = stepper
        self._spot: Spot | None = None
        self.offset = 0

    def _load(self) -> None:
        """Play the instruction ahead, unless it is the one at hand."""
        spot = self.stepper.spot
        if spot != self._spot:
            self._cycles, self._after = next_cycles(self.stepper)
            self._spot, self.offset = spot, 0

    def forget(self) -> None:
        """Go back to the instruction's beginning: the machine has been changed."""
        self._spot, self.offset = None, 0

    @property
    def inside(self) -> bool:
        """Tell whether it stands inside an instruction."""
        return self._spot == self.stepper.spot and self.offset > 0

    def tick(self) -> Event | None:
        """Go one T-state on; leaving the instruction runs it, and gives that event."""
        self._load()
        return self._go(self.offset + 1)

    def cycle(self) -> Event | None:
        """Go on to the next bus cycle's T1."""
        self._load()
        starts = [int(t) - self.stepper.t for t in self._cycles["t"]]
        return self._go(min((s for s in starts if s > self.offset),
                            default=self._after - self.stepper.t))

    def _go(self, offset: int) -> Event | None:
        if offset < self._after - self.stepper.t:
            self.offset = offset
            return None
        event = self.stepper.into()
        self._load()
        return event

    def back_tick(self) -> bool:
        """Go one T-state back; False at power-on."""
        self._load()
        if self.offset > 0:
            self.offset -= 1
            return True
        return self._before(lambda: self._after - self.stepper.t - 1)

    def back_cycle(self) -> bool:
        """Go back to the T1 before; False at power-on."""
        self._load()
        starts = [int(t) - self.stepper.t for t in self._cycles["t"]]
        earlier = [s for s in starts if s < self.offset]
        if earlier:
            self.offset = max(earlier)
            return True
        return self._before(lambda: int(self._cycles["t"][-1]) - self.stepper.t)

    def _before(self, place: Any) -> bool:
        if self.stepper.back().reason == "beginning":
            return False
        self._load()
        self.offset = place()
        return True

    def moment(self) -> Moment:
        """Give the T-state that it stands at."""
        self._load()
        t = self.stepper.t + self.offset
        number = max(int((self._cycles["t"] <= t).sum()) - 1, 0)
        row = self._cycles[number]
        kind, k = int(row["kind"]), t - int(row["t"])
        halves = [_levels(row, 2 * k), _levels(row, 2 * k + 1)]
        low = tuple(f"/{name}" for n, name in enumerate(STROBES)
                    if any(half[n] == 0 for half in halves))
        data = next((half[DATA] for half in reversed(halves) if half[DATA] != FREE), None)
        length = int(lengths(self._cycles[number:number + 1])[0])
        names = driver_names([slot.name for slot in self.stepper.machine.slots])
        return Moment(t, number, len(self._cycles), KIND_NAMES[kind],
                      _name(row, length, k), max(halves[0][ADDRESS], 0), data,
                      names[int(row["driver"])], low)
