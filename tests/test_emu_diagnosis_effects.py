"""What an instruction is said to depend on is held against the CPU core itself.

Each opcode runs twice from states that differ in one place.  A result that does not name
the place among its sources must come out the same, and what is no result must stay; so a
slice can neither miss a source nor go past a change.  (The core is held against published
vectors in test_published_cpu_vectors.py.)
"""
from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emu.backplane.description import load
from emu.diagnosis.evidence.bus_window import decode
from emu.diagnosis.evidence.trace import Step, steps
from emu.isa.effects import Effect, effect
from emu.machine.machine import Machine

NAMES = ("B", "C", "D", "E", "H", "L", "F", "A", "IXH", "IXL", "IYH", "IYL")
PLACES = ("B", "C", "D", "E", "H", "L", "A", "IXH", "IXL", "IYH", "IYL", "FC", "FZ",
          "B'", "C'", "D'", "E'", "H'", "L'", "A'", "FC'", "FZ'")
CARRY, OTHERS = 0x01, 0xD6  # F without the carry and without bits 3 and 5
ASKED = 0xC4  # S, Z and P/V: what conditions ask for
CODE = 0x9000
PREFIXES = (0xCB, 0xDD, 0xED, 0xFD)
PLANES = [(0, 0), (0xCB, 0), (0xED, 0), (0xDD, 0), (0xFD, 0), (0xDD, 0xCB), (0xFD, 0xCB)]
# LD A,I and LD A,R look at IFF2 as well; HALT and the prefixes are no data flow.
NO_RESULTS = {"SP", "O", "I", "R"}  # fixed here, or seen elsewhere
LEFT_OUT = {(0, 0x76), (0xED, 0x57), (0xED, 0x5F), (0xDD, 0x76), (0xFD, 0x76)}


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Machine:
    path = tmp_path_factory.mktemp("effects") / "bare.toml"
    path.write_text('[slot.cpu]\ncard = "z80-cpu"\nclock = "4 MHz"\n[slot.memory]\n'
                    'card = "plain-memory"\nrom-size = 0\nram-start = 0\nram-size = 65536\n')
    bare = Machine(load(Path(path)))
    bare.log(True)
    return bare


def put(m: Any, place: str, value: int) -> None:
    bank, name = (m.alt, place[:-1]) if place.endswith("'") else (m.r, place)
    if name in ("FC", "FZ"):
        mask = CARRY if name == "FC" else OTHERS
        bank[6] = (int(bank[6]) & ~mask) | (value & mask)
    else:
        bank[NAMES.index(name)] = value


def get(m: Any, place: str) -> int:
    bank, name = (m.alt, place[:-1]) if place.endswith("'") else (m.r, place)
    if name in ("FC", "FZ"):
        return int(bank[6]) & (CARRY if name == "FC" else ASKED)
    return int(bank[NAMES.index(name)])


def run(machine: Machine, code: bytes, state: dict[str, int], memory: np.ndarray,
        ) -> tuple[dict[str, int], Step]:
    """Run one instruction from a state; the places after it, and its step in the trace."""
    m = machine.m
    m.phys[:65536] = memory
    m.phys[CODE:CODE + len(code)] = np.frombuffer(code, np.uint8)
    for place, value in state.items():
        put(m, place, value)
    m.pc, m.sp, m.i = CODE, 0xB000, 0x12
    m.halted = m.prefix = m.after_ei = m.iff1 = m.log_pos = 0
    one_step(machine)
    after = {place: get(m, place) for place in PLACES}
    one_step(machine)  # the next instruction too, so that the step is complete
    return after, steps(decode(machine))[0]


def one_step(machine: Machine) -> None:
    machine.run(int(machine.m.t) + 1)
    while int(machine.m.prefix):
        machine.run(int(machine.m.t) + 1)


def result(after: dict[str, int], step: Step, target: str) -> int | None:
    if target in ("W0", "W1"):
        k = int(target[1])
        return step.writes[k][1] if k < len(step.writes) else None
    return after.get(target)


def told(what: Effect, target: str) -> set[str]:
    return {s for t, sources in what.moves if t == target for s in sources}


def disagreements(machine: Machine, prefix: int, second: int, code: int) -> list[str]:
    rng = random.Random(code | prefix << 8 | second << 16)
    memory = np.frombuffer(rng.randbytes(65536), np.uint8).copy()
    raw = bytes(b for b in (prefix, second) if b)
    raw += bytes((0x05, code)) if second else bytes((code, 0x05, 0xA0))
    what = effect(prefix, second, code)
    state = {place: rng.randrange(256) for place in PLACES}
    state.update(H=0xA1, L=0x20, D=0xA2, B=0xA3, IXH=0xA4, IYH=0xA5)
    memory[CODE:CODE + 8] = 0
    after, step = run(machine, raw, state, memory)
    targets = {t for t, _ in what.moves}
    wrong = []
    if step.effect != what or step.pc != CODE:
        wrong.append(f"decoded as {step}")
    for place in PLACES:
        same = get_initial(state, place)
        if place not in targets and after[place] != same:
            wrong.append(f"changes {place}")
    block = prefix == 0xED and 0xA0 <= code < 0xC0
    for place in PLACES:
        if place in what.pointer or (block and place in ("FZ", "FC")):
            continue
        other = {**state, place: state[place] ^ rng.choice((0xFF, 0x55, 0x81))}
        again, step2 = run(machine, raw, other, memory)
        for target in sorted(targets - NO_RESULTS):
            if place in told(what, target):
                continue
            mask = 0x04 if block and target == "FZ" and code & 3 == 0 else \
                0x40 if block and target == "FZ" else 0xFF
            one, two = result(after, step, target), result(again, step2, target)
            if what.flow == "call" and what.condition and (one is None or two is None):
                continue  # the condition decides whether it is written at all
            if one is None or two is None or one & mask != two & mask:
                wrong.append(f"{target} depends on {place}: {one} {two}")
    return wrong


def get_initial(state: dict[str, int], place: str) -> int:
    mask = CARRY if place.startswith("FC") else ASKED if place.startswith("FZ") else 0xFF
    return state[place] & mask


@pytest.mark.parametrize(("prefix", "second"), PLANES)
def test_effects_name_all_that_a_result_depends_on(machine: Machine, prefix: int,
                                                   second: int) -> None:
    wrong = {}
    for code in range(256):
        if (prefix, code) in LEFT_OUT or (not second and prefix != 0xCB and code in PREFIXES):
            continue
        found = disagreements(machine, prefix, second, code)
        if found:
            wrong[f"{prefix:02X} {second:02X} {code:02X}"] = found
    assert wrong == {}
