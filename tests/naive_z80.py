"""The naive Z80: a slow, plain twin of the compiled CPU core, to hold that core against.

Written from the manual's definitions (UM0080) and, for undocumented behaviour, from memory of
published hardware studies; test_naive_z80.py holds it against the published single-step vectors.
It shares no code with emu/.
"""

from collections.abc import Sequence

import naive_z80_base
import naive_z80_cb
import naive_z80_ed
from naive_z80_machine import REGISTERS, Machine, State
from naive_z80_patterns import build_table

BASE = build_table(naive_z80_base.ROWS)
CB = build_table(naive_z80_cb.ROWS)
ED = build_table(naive_z80_ed.ROWS)
INDEXED_CB = build_table(naive_z80_cb.INDEXED_ROWS)
INDEX_PREFIXES = {0xDD: "ix", 0xFD: "iy"}


def run_one(initial: State, inputs: Sequence[int] = (), cmos: bool = False) -> State:
    """Run one instruction with all its prefixes; give `final`, `cycles` and `ports`.

    `initial` and `final` hold the registers and `ram` pairs of the single-step form; memory that
    is not listed reads 0. `inputs` are the bytes that port reads find, then FFh. `cycles` has one
    `[address, data or None, "rwmi" pins]` a T-state, `ports` one `[port, byte, "r" or "w"]` a
    transfer. Raises ValueError when 65,536 prefixes follow each other: such code never executes.
    """
    m = Machine(initial, inputs, cmos)
    m.put("ei", 0)
    m.put("p", 0)
    execute(m)
    m.put("q", m.get("f") if m.flags_were_set else 0)
    final: State = {name: m.get(name) for name in REGISTERS}
    final["ram"] = [[address, m.memory[address]] for address in sorted(m.memory)]
    return {"final": final, "cycles": m.cycles, "ports": m.ports}


def execute(m: Machine) -> None:
    """Fetch prefixes and opcode, then call the opcode's handler."""
    opcode = fetch_past_index_prefixes(m)
    if opcode == 0xED:
        m.index = "hl"  # ED drops a DD or FD before it
        handler, fields, _ = ED[m.fetch_opcode()]
    elif opcode == 0xCB and m.index == "hl":
        handler, fields, _ = CB[m.fetch_opcode()]
    elif opcode == 0xCB:
        return execute_indexed_cb(m)
    else:
        handler, fields, _ = BASE[opcode]
    handler(m, **fields)


def fetch_past_index_prefixes(m: Machine) -> int:
    """Fetch until a byte is neither DD nor FD; the last of these rules."""
    for _ in range(65536):
        opcode = m.fetch_opcode()
        if opcode not in INDEX_PREFIXES:
            return opcode
        m.index = INDEX_PREFIXES[opcode]
    raise ValueError("65536 prefixes DD or FD follow each other: no instruction to run")


def execute_indexed_cb(m: Machine) -> None:
    """Run DD CB d op: d and op are plain reads (no M1, R stays), op with 2 T more."""
    displacement = m.operand8()
    opcode = m.operand8()
    m.idle(2)
    handler, fields, _ = INDEXED_CB[opcode]
    handler(m, m.indexed(displacement), **fields)
