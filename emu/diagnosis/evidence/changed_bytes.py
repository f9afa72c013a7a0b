"""What was written and came back as something else: where, by whom, and why.

The stretches of bus cycles in which a broken machine shows its cause: its beginning, the
last ones before it came into what it now does for ever, and what it does now.
"""
from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import islice

import numpy as np

from emu.bus.state import ACK, FETCH, LOG, NMI_FETCH, OUT, READ, WRITE
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.bus_window import Window, windows
from emu.diagnosis.trials.moments import Again, death
from emu.isa.opcodes import CB, ED, ED_RETURNS, POPS, PREFIXES, PUSHES

BEHIND = 400  # T-states looked at behind the death
WINDOWS = 8  # of the ring's size before it


@dataclass(frozen=True)
class Stretch:
    """Bus cycles, and the instruction that each belongs to."""

    window: Window
    starts: np.ndarray  # cycles that begin an instruction or a response to an interrupt

    def instruction(self, k: int) -> int:
        """Give the cycle that began what cycle ``k`` belongs to."""
        before = int(np.searchsorted(self.starts, k, side="right"))
        return int(self.starts[before - 1]) if before else 0

    def opcode(self, k: int) -> tuple[int, int]:
        """Give prefix (or 0) and opcode of the instruction that cycle ``k`` belongs to."""
        at, w = self.instruction(k), self.window
        if w.kind[at] != FETCH:
            return 0, 0
        code = int(w.data[at])
        if code in PREFIXES and at + 1 < len(w.kind):
            return code, int(w.data[at + 1])
        return 0, code

    def pops(self, k: int) -> bool:
        """Tell whether a read belongs to RET, POP or their kin."""
        prefix, code = self.opcode(k)
        return bool((ED_RETURNS if prefix == ED else POPS)[code])

    def pushes(self, k: int) -> bool:
        """Tell whether a write belongs to CALL, RST, PUSH or an interrupt."""
        if self.window.kind[self.instruction(k)] in (ACK, NMI_FETCH):
            return True
        prefix, code = self.opcode(k)
        return prefix not in (ED, CB) and bool(PUSHES[code])


@dataclass(frozen=True)
class Loss:
    """A read that took another byte than the last one written there in the stretch."""

    stretch: Stretch
    read: int  # cycles
    write: int

    @property
    def address(self) -> int:
        """Where it was written and read."""
        return int(self.stretch.window.address[self.read])

    @property
    def t(self) -> int:
        """When it was read."""
        return int(self.stretch.window.t[self.read])


def stretch(window: Window) -> Stretch:
    """Prepare a window."""
    marks = np.concatenate([window.starts(), window.where(ACK), window.where(NMI_FETCH)])
    return Stretch(window, np.unique(marks))


def stretches(case: Case) -> list[Stretch]:
    """Give the stretches that matter, the likeliest first; made once a case."""
    return case.once(_made)


def _made(case: Case) -> list[Stretch]:
    machine = case.session.replay(0)
    parts = [*islice(windows(machine, min(machine.at(0.3), max(int(case.m.t), 1))), 1)]
    for t in {death(case), int(case.m.rst38_first_t) or None} - {None}:
        parts.append(up_to(case, t + BEHIND))  # type: ignore[operator]
    return [stretch(w) for w in [*parts, case.last] if len(w.t)]


def up_to(case: Case, t: int) -> Window:
    """Give the bus cycles before a T-state, some rings full of them."""
    run = Again(case)
    run.to(max(t - WINDOWS * LOG * 3, 0))
    parts = [*windows(run.machine, max(t - int(run.machine.m.t), 1))][-WINDOWS:]
    return Window(*(np.concatenate([getattr(part, f.name) for part in parts])
                    for f in fields(Window)))


def losses(part: Stretch) -> list[Loss]:
    """Find the reads that did not take what was written, oldest first."""
    w = part.window
    cycles = np.nonzero(np.isin(w.kind, (FETCH, READ, WRITE)))[0]
    if not len(cycles):
        return []
    address, stored = w.address[cycles], w.kind[cycles] == WRITE
    order = np.lexsort((cycles, address))
    at, put = address[order], stored[order]
    count = np.arange(len(at))
    first = np.maximum.accumulate(np.where(np.r_[True, at[1:] != at[:-1]], count, 0))
    last = np.maximum.accumulate(np.where(put, count, -1))
    data = w.data[cycles][order]
    wrong = ~put & (last >= first) & (data != data[np.maximum(last, 0)])
    pairs = sorted(zip(cycles[order][wrong].tolist(), cycles[order][last[wrong]].tolist(),
                       strict=True))
    return [Loss(part, read, write) for read, write in pairs]


def remapped(case: Case, loss: Loss) -> int | None:
    """Give the OUT to a memory card's register between a write and its read, if any."""
    w = loss.stretch.window
    outs = np.nonzero(w.kind[loss.write:loss.read] == OUT)[0] + loss.write
    cards = memory_cards(case)
    ports = np.asarray(case.m.port_slot)
    for k in outs[::-1].tolist():
        if int(ports[int(w.address[k]) & 0xFF]) in cards:
            return int(k)
    return None


def memory_cards(case: Case) -> set[int]:
    """Give the slots that hold memory."""
    return {int(n) for n in case.m.mem_slots[:int(case.m.mem_count)]}
