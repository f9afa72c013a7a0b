"""A real board's capture beside the simulated boot: what it says."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from emu.bus.state import ACK, CPU_DRIVES, FETCH, IN, KIND_NAMES, OUT, READ, SLOTS, WRITE
from emu.compare import wires
from emu.compare.alignment import Alignment, Difference, align
from emu.compare.capture import Capture
from emu.compare.experiments import Experiment, find
from emu.compare.simulated import Simulated
from emu.knowngood.parting import around
from emu.logs.cycles import driver_names

SAMPLE = 12  # cycles of one kind and card that show a wait state
NAMES = {FETCH: "fetches", READ: "reads", WRITE: "writes", IN: "port reads", OUT: "port writes",
         ACK: "acknowledges"}


@dataclass
class BoardReport:
    """What a capture tells beside a simulated run."""

    simulated: Simulated
    capture: Capture
    aligned: Alignment | None
    experiment: Experiment | None = None  # when it is not aligned, and a fault explains it

    @property
    def same(self) -> bool:
        """Whether the board did what the simulation does, as far as the capture goes."""
        found = self.aligned
        return found is not None and found.difference is None and not found.wires \
            and not self.waits()

    def _names(self) -> list[str]:
        return driver_names([s.name for s in self.simulated.run.description.slots])

    def waits(self) -> list[str]:
        """Say where the board's cycles are longer or shorter by whole T-states."""
        found = self.aligned
        if found is None or not self.capture.timed or len(found.pairs) < SAMPLE:
            return []
        near = np.flatnonzero((np.diff(found.pairs, axis=0) == 1).all(axis=1))
        if not len(near) or found.half == 0:
            return []
        a, b = found.pairs[near].T
        took = (found.right["time"][b + 1] - found.right["time"][b]) / found.half
        more = (took - (found.strobes[a + 1] - found.strobes[a])) / 2
        # the strobe's own length tells a longer cycle from a longer gap behind it
        kinds, drivers = found.left["kind"][a], self._sides(found.left[a])
        return [line for kind in NAMES for driver in np.unique(drivers[kinds == kind]).tolist()
                if (line := self._wait(more[(kinds == kind) & (drivers == driver)], kind, driver))]

    def _sides(self, cycles: np.ndarray) -> np.ndarray:
        """Give the slot (+ 1) that a cycle concerns: who drove, or who decodes the port."""
        drivers = cycles["driver"].astype(np.int64)
        ports = np.asarray(self.simulated.session.machine.m.port_slot)
        out = (cycles["kind"] == OUT) & (drivers == CPU_DRIVES)
        return np.where(out, ports[cycles["address"] & 0xFF] + 1, drivers)

    def _wait(self, more: np.ndarray, kind: int, driver: int) -> str:
        if len(more) < SAMPLE:
            return ""
        whole = round(float(np.median(more)))
        if whole == 0 or np.mean(np.abs(more - whole) < 0.4) < 0.8:
            return ""
        name = self._names()[driver] if driver <= SLOTS else "memory"
        how = "longer" if whole > 0 else "shorter"
        why = ("the board adds wait states that the backplane file does not have" if whole > 0
               else "wait states of the backplane file are missing on the board")
        return (f"{NAMES[kind]} of {name} are {abs(whole)} T-state{'s' if abs(whole) > 1 else ''} "
                f"{how} on the board ({len(more)} cycles): {why}.")

    def likely(self) -> list[str]:
        """Name the likely fault behind the first difference."""
        found = self.aligned
        if found is None or found.difference is None:
            return []
        i, j = found.difference.i, found.difference.j
        if i >= len(found.left) or j >= len(found.right):
            return []
        left, right = found.left[i], found.right[j]
        name = self._names()[int(left["driver"])]
        if left["kind"] != right["kind"]:
            if left["kind"] == ACK:
                return ["the interrupt that is acknowledged here did not come on the board: look "
                        "at /INT, and at the chain."]
            if right["kind"] == ACK:
                return ["the board acknowledges an interrupt that the simulation does not have."]
            return ["the processor went another way: look at the data of the cycles before."]
        same_place = ((left["address"] ^ right["address"]) & found.shown.address) == 0
        if left["data"] == right["data"] or not same_place:
            return ["another address: look at the data of the cycles before, and at the address "
                    "lines."]
        if left["kind"] in (IN, READ, FETCH, ACK) and right["data"] == 0xFF:
            what = "does not answer" if left["kind"] != ACK else "gives no vector"
            return [f"slot {name} {what} here: the bus reads FFh, as with pull-ups alone."]
        return _byte_faults(int(left["data"]), int(right["data"]), found, i)

    def _sides_at(self, found: Difference) -> tuple[str, str, str, list[str]]:
        assert self.aligned is not None
        left, right = self.aligned.left, self.aligned.right
        ours, theirs, place, lines = "the run had ended", "the capture had ended", "", list[str]()
        if found.i < len(left):
            row = left[found.i]
            ours = (f"{KIND_NAMES[row['kind']]} {row['address']:04X}h = {row['data']:02X}h by "
                    f"{self._names()[row['driver']]} at T {row['t']}")
            place, lines = around(self.simulated.run, int(row["t"]))
        if found.j < len(right):
            row = right[found.j]
            at = f" {row['address'] & self.capture.mask:04X}h" if self.capture.mask else ""
            theirs = (f"{KIND_NAMES[row['kind']]}{at} = {row['data']:02X}h at "
                      f"{self._moment(float(row['time']))}")
        return ours, theirs, place, lines

    def _moment(self, time: float) -> str:
        return f"{time:.9g} s" if self.capture.timed else f"sample {int(time)}"

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        found = self.aligned
        out: dict[str, Any] = {"same": self.same, "capture": str(self.capture.path),
                               "captured_cycles": len(self.capture.cycles),
                               "aligned": found is not None}
        if found is None:
            if self.experiment is not None:
                out["experiment"] = vars(self.experiment)
            return out
        out.update(
            begins={"captured_cycle": found.first,
                    "t": int(found.left["t"][found.pairs[0, 0]]) if len(found.pairs) else None},
            agree=len(found.pairs), lines=wires.words(found.wires), waits=self.waits(),
            lost_samples=[[g.i0, g.i1 - g.i0] for g in found.missing],
            timing=len(found.timing), other_inputs=len(found.inputs),
            clock_hz=None if found.half == 0 or not self.capture.timed else 0.5 / found.half)
        if found.difference is not None:
            ours, theirs, place, lines = self._sides_at(found.difference)
            out["difference"] = {"simulated": ours, "board": theirs, "place": place,
                                 "trace": lines, "likely": self.likely(),
                                 "lost": found.difference.lost}
        return out

    def lines(self) -> list[str]:
        """Give it as text; the first line is the answer."""
        found = self.aligned
        if found is None and self.experiment is not None:
            return ["differs: the board does not run this program.",
                    f"likely: {self.experiment}."]
        if found is None:
            return [f"not aligned: nothing of {self.capture.path} fits the simulated run: another "
                    f"image, too short a --limit, or wrong columns."]
        head = "same: the board does what the simulation does." if self.same else (
            "differs: the board did something else." if found.difference is not None else
            "differs: the board does the same, but not all of the capture is as it should be.")
        out = [head, self._where(found)]
        out += [f"lines: {line}." for line in wires.words(found.wires)]
        out += [f"waits: {line}" for line in self.waits()]
        if found.missing:
            cycles = sum(g.i1 - g.i0 for g in found.missing)
            out.append(f"lost samples: {len(found.missing)} places, {cycles} bus cycles.")
        if found.timing:
            out.append(f"timing only: {len(found.timing)} stretches of known code that come more "
                       f"or less often, or elsewhere.")
        if found.inputs:
            out.append(f"other inputs: {len(found.inputs)} bytes read from ports differ.")
        return out + self._difference_lines(found.difference)

    def _where(self, found: Alignment) -> str:
        begin = int(found.left["t"][found.pairs[0, 0]]) if len(found.pairs) else 0
        text = (f"aligned: captured cycle {found.first} lies at T {begin}; {len(found.pairs)} of "
                f"{len(found.right) - found.first} cycles from there agree")
        if self.capture.timed and found.half:
            ours = float(self.simulated.session.machine.hz) / 1e6
            text += f"; the board runs at {0.5e-6 / found.half:.4g} MHz, the file says {ours:.4g}"
        return text + "."

    def _difference_lines(self, found: Difference | None) -> list[str]:
        if found is None:
            return []
        ours, theirs, place, lines = self._sides_at(found)
        out = ["first difference" + (", and they do not come together again:" if found.lost
                                     else ":"),
               f"  simulated: {ours}" + (f", in {place}" if place else ""), f"  board: {theirs}"]
        return out + [f"    {line}" for line in lines] + [f"likely: {w}" for w in self.likely()]


def _byte_faults(want: int, have: int, found: Alignment, i: int) -> list[str]:
    """Name what turns one byte into the other: a pair of lines, or one line."""
    wrong = want ^ have
    bits = [k for k in range(8) if wrong >> k & 1]
    if len(bits) == 1:
        level = have >> bits[0] & 1
        seen = found.pairs[found.pairs[:, 0] < i]
        other = (found.right["data"][seen[:, 1]] >> bits[0] & 1) != level
        often = " at times (it has shown the other level before)" if other.any() else ""
        return [f"D{bits[0]} reads {level} in place of {1 - level}{often}: a stuck line, or a "
                f"damaged byte."]
    if len(bits) == 2 and (want >> bits[0] & 1) != (want >> bits[1] & 1):
        return [f"D{bits[0]} and D{bits[1]} are exchanged, or another byte is stored there."]
    return ["another byte is stored there, or the wrong chip answers."]


def beside(simulated: Simulated, capture: Capture) -> BoardReport:
    """Lay a capture beside a simulated run; where nothing fits, look for a fault that does."""
    aligned = align(simulated, capture)
    if aligned is not None:
        return BoardReport(simulated, capture, aligned)
    run = simulated.run
    return BoardReport(simulated, capture, None, find(run.description, run.seed, capture))
