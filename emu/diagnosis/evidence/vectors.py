"""Find interrupt handlers that the program has and that nothing has called."""
from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np

from emu.diagnosis.trials.forks import read_memory, read_word
from emu.isa.disassembler import Instruction, disassemble
from emu.isa.opcodes import DD, ED, ED_LD_NN_FROM_SP, EX_AF, EX_SP_HL, EXX, FD, LD_NN_HL, PUSH, RETI
from emu.machine.machine import Machine
from emu.machine.places import places

MOST = 128
NEAR = 400  # bytes between a handler's entry and its RETI
FILL = 32  # equal entries that make a page a filled table
STEPS = 120  # instructions followed from an entry
# How handlers begin: PUSH, EX AF,AF', EXX, LD (nn),HL or SP, EX (SP),HL (common practice).
OPENINGS = (*PUSH, EX_AF, EXX, LD_NN_HL, EX_SP_HL)


def visible(machine: Machine) -> np.ndarray:
    """Give the 64 KiB that the CPU sees, FFh where plain memory does not answer."""
    at = places(machine)
    return np.where(at >= 0, np.asarray(machine.m.phys)[np.maximum(at, 0)], np.uint8(0xFF))


def opens(machine: Machine, entry: int) -> bool:
    """Tell whether code opens as a handler does."""
    first = read_memory(machine, entry)
    if first in (DD, ED, FD):
        first = {ED_LD_NN_FROM_SP: LD_NN_HL}.get(read_memory(machine, (entry + 1) & 0xFFFF),
                                 read_memory(machine, (entry + 1) & 0xFFFF))
    return first in OPENINGS


def reaches_reti(machine: Machine, entry: int) -> bool:
    """Tell whether code opens as a handler does and its straight path comes to RETI."""
    if not opens(machine, entry):
        return False
    return any(step.data[:2] == bytes((ED, RETI)) for step in straight(machine, entry, STEPS))


def looks_like_handler(machine: Machine, entry: int) -> bool:
    """Tell whether code opens as a handler does, or its straight path comes to RETI."""
    return opens(machine, entry) or any(
        step.data[:2] == bytes((ED, RETI)) for step in straight(machine, entry, STEPS))


def straight(machine: Machine, entry: int, count: int) -> Iterator[Instruction]:
    """Follow the code from an address, jumps included and branches not, to where it ends."""
    at = entry
    for _ in range(count):
        step = disassemble(lambda a: read_memory(machine, a & 0xFFFF), at)
        yield step
        if step.flow in ("return", "halt", "indirect", "restart") \
                or (step.flow == "jump" and step.target == at):
            return
        at = step.target if step.flow == "jump" and step.target is not None \
            else (at + step.length) & 0xFFFF


def _near_reti(memory: np.ndarray) -> np.ndarray:
    """Mark the addresses that have ED 4D within NEAR bytes behind them."""
    found = np.nonzero((memory[:-1] == ED) & (memory[1:] == RETI))[0]
    near = np.zeros(65536, bool)
    for at in found.tolist():
        near[max(at - NEAR, 0):at] = True
    return near


def _table(machine: Machine, high: int, entries: dict[int, bool]) -> dict[int, int]:
    """Give the handlers of the table on page ``high``: address -> vector."""
    out: dict[int, int] = {}
    for vector in range(0, 256, 2):
        target = read_word(machine, high << 8 | vector)
        if entries.get(target):
            out.setdefault(target, vector)
    return out


def _filled(machine: Machine, words: np.ndarray) -> dict[int, int]:
    """Give the handlers of a table whose unused entries all lead to one place."""
    targets, counts = np.unique(words, return_counts=True)
    common = int(targets[counts.argmax()])
    if counts.max() < FILL or len(targets) < 2 or common == 0 or not _is_code(machine, common):
        return {}
    others = {int(t): 2 * int(np.nonzero(words == t)[0][0]) for t in targets if t != common}
    return {t: v for t, v in others.items() if _is_code(machine, t)}


def _is_code(machine: Machine, address: int) -> bool:
    return bool(int(machine.m.owner[address >> 12])) \
        and read_memory(machine, address) not in (0x00, 0xFF)


def tables(machine: Machine) -> list[tuple[int, dict[int, int]]]:
    """Find vector tables anywhere: (page, handlers address -> vector), likeliest first.

    Tables filled with one common entry come first, then pages with pointers to code that
    opens as a handler does and ends in RETI.
    """
    memory = visible(machine)
    near = _near_reti(memory)
    words = memory[0::2].astype(np.int64) | memory[1::2].astype(np.int64) << 8
    rows = words.reshape(256, 128)
    filled = [(page, found) for page in range(256) if (found := _filled(machine, rows[page]))]
    filled.sort(key=lambda f: -np.unique(rows[f[0]], return_counts=True)[1].max())
    hits = np.nonzero(near[words])[0]
    targets = Counter(words[hits].tolist())
    entries = {t: reaches_reti(machine, t) for t in targets}
    pages = sorted({int(k) >> 7 for k in hits})
    others = [(page, _table(machine, page, entries)) for page in pages]
    return filled + sorted((f for f in others if f[1]), key=lambda f: -len(f[1]))


def everywhere(machine: Machine) -> dict[int, int]:
    """Find words anywhere, at odd addresses as well, that lead to a handler: handler -> where a
    pointer to it stands first."""
    memory = visible(machine)
    words = memory[:-1].astype(np.int64) | memory[1:].astype(np.int64) << 8
    hits = np.nonzero(_near_reti(memory)[words])[0]
    found: dict[int, int] = {}
    for at in hits.tolist():
        found.setdefault(int(words[at]), at)
    return {handler: at for handler, at in found.items() if reaches_reti(machine, handler)}


def uncalled(machine: Machine) -> dict[int, tuple[int, int]]:
    """List handlers that were never called: address -> (vector, page of its table).

    In mode 2 the table that I points to counts, else every table that can be found.
    """
    m = machine.m
    if int(m.im) == 2:
        page = int(m.i)
        words = {v: read_word(machine, page << 8 | v) for v in range(0, 256, 2)}
        called = {t for v, t in words.items() if int(m.vector_count[v])}
        out: dict[int, tuple[int, int]] = {}
        for vector, target in words.items():
            if target not in called and int(m.owner[target >> 12]) \
                    and read_memory(machine, target) != 0xFF \
                    and looks_like_handler(machine, target):
                out.setdefault(target, (vector, page))
    else:
        out = {}
        for page, handlers in tables(machine):
            for target, vector in handlers.items():
                out.setdefault(target, (vector, page))
    return dict(list(out.items())[:MOST])
