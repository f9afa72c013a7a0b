"""State and bus of the naive Z80 twin: registers by name, memory a dict, a list entry a T-state.

A bus entry is `[address, data or None, pins]` with pins "rwmi" (read, write, memory, I/O; "-"
where inactive), the form of the published single-step tests.
"""

from collections.abc import Sequence
from typing import Any

from naive_z80_flags import C, P, S, Z

REGISTERS = ("a", "b", "c", "d", "e", "f", "h", "l", "i", "r", "af_", "bc_", "de_", "hl_",
             "ix", "iy", "pc", "sp", "wz", "iff1", "iff2", "im", "ei", "p", "q")
REGISTER_CODES = ("b", "c", "d", "e", "h", "l", "(hl)", "a")
State = dict[str, Any]  # the single-step form: registers as numbers, `ram` as pairs
UNDRIVEN = 0xFF  # what an IN reads once the given inputs are used up: a bus with pull-ups


class Machine:
    """A Z80 between instructions. `cmos` selects the part: it only alters OUT (C),0."""

    def __init__(self, initial: State, inputs: Sequence[int] = (), cmos: bool = False) -> None:
        self.registers: dict[str, int] = {name: initial[name] for name in REGISTERS}
        self.memory: dict[int, int] = dict(initial["ram"])
        self.inputs = list(inputs)
        self.cmos = cmos
        self.cycles: list[list[Any]] = []
        self.ports: list[list[Any]] = []
        self.bus_address = 0
        self.index = "hl"  # "ix" or "iy" while a DD or FD prefix rules
        self.instruction_address = 0  # of the byte before the last opcode byte: for repeats
        self.flags_were_set = False
        self.previous_q = initial["q"]

    # --- registers ---

    def get(self, name: str) -> int:
        """Read a register or pair by its name."""
        if name in ("bc", "de", "hl", "af"):
            return self.registers[name[0]] * 256 + self.registers[name[1]]
        if name in ("ixh", "iyh"):
            return self.registers[name[:2]] // 256
        if name in ("ixl", "iyl"):
            return self.registers[name[:2]] % 256
        return self.registers[name]

    def put(self, name: str, value: int) -> None:
        """Write a register or pair by its name; the value must fit."""
        if name in ("bc", "de", "hl", "af"):
            self.registers[name[0]], self.registers[name[1]] = divmod(value, 256)
        elif name in ("ixh", "iyh"):
            self.registers[name[:2]] = value * 256 + self.registers[name[:2]] % 256
        elif name in ("ixl", "iyl"):
            self.registers[name[:2]] = self.registers[name[:2]] // 256 * 256 + value
        else:
            self.registers[name] = value

    def set_flags(self, f: int) -> None:
        """Write F as an arithmetic result does: the Q latch takes the same value."""
        self.put("f", f)
        self.flags_were_set = True

    def register_name(self, code: int) -> str:
        """Name the 8-bit register of a 3-bit code; H and L become halves of IX or IY."""
        name = REGISTER_CODES[code]
        if name in ("h", "l") and self.index != "hl":
            return self.index + name
        return name

    def pair_name(self, code: int, last: str) -> str:
        """Name the pair of a 2-bit code; `last` is "sp" or "af"; HL may be IX or IY."""
        return ("bc", "de", self.index, last)[code]

    def condition(self, code: int) -> bool:
        """Look at the flag of a 3-bit condition code: NZ Z NC C PO PE P M."""
        flag = (Z, C, P, S)[code // 2]
        is_set = bool(self.get("f") & flag)
        return is_set if code % 2 else not is_set

    # --- the bus, one entry a T-state ---

    def tick(self, data: int | None = None, pins: str = "----") -> None:
        """Let one T-state pass, with what it shows on the bus."""
        self.cycles.append([self.bus_address, data, pins])

    def idle(self, count: int) -> None:
        """Let T-states pass; the address stays on the bus."""
        for _ in range(count):
            self.tick()

    def fetch_opcode(self) -> int:
        """Read the byte at PC in an M1 cycle: 4 T, the last two with the refresh address I:R."""
        pc, refresh = self.get("pc"), self.get("r")
        opcode = self.memory.get(pc, 0)
        self.bus_address = pc
        self.tick()
        self.tick(pins="r-m-")
        self.bus_address = self.get("i") * 256 + refresh
        self.tick(opcode)
        self.tick()
        self.put("pc", (pc + 1) % 65536)
        self.put("r", refresh // 128 * 128 + (refresh + 1) % 128)
        self.instruction_address = (pc - 1) % 65536
        return opcode

    def read(self, address: int) -> int:
        """Read memory: 3 T."""
        data = self.memory.get(address, 0)
        self.bus_address = address
        self.tick()
        self.tick(pins="r-m-")
        self.tick(data)
        return data

    def write(self, address: int, data: int) -> None:
        """Write memory: 3 T."""
        self.memory[address] = data
        self.bus_address = address
        self.tick()
        self.tick(data, "-wm-")
        self.tick()

    def port_read(self, port: int) -> int:
        """Read a port: 4 T, one of them the automatic wait."""
        data = self.inputs.pop(0) if self.inputs else UNDRIVEN
        self.bus_address = port
        self.idle(2)
        self.tick(pins="r--i")
        self.tick(data)
        self.ports.append([port, data, "r"])
        return data

    def port_write(self, port: int, data: int) -> None:
        """Write a port: 4 T, one of them the automatic wait."""
        self.bus_address = port
        self.idle(2)
        self.tick(data, "-w-i")
        self.tick()
        self.ports.append([port, data, "w"])

    # --- small compounds of bus cycles ---

    def operand8(self) -> int:
        """Read the byte at PC as an operand."""
        pc = self.get("pc")
        self.put("pc", (pc + 1) % 65536)
        return self.read(pc)

    def operand16(self) -> int:
        """Read a word at PC as an operand, low byte first."""
        low = self.operand8()
        return self.operand8() * 256 + low

    def read16(self, address: int) -> int:
        """Read a word from memory, low byte first."""
        low = self.read(address)
        return self.read((address + 1) % 65536) * 256 + low

    def write16(self, address: int, word: int) -> None:
        """Write a word to memory, low byte first."""
        self.write(address, word % 256)
        self.write((address + 1) % 65536, word // 256)

    def push(self, word: int) -> None:
        """Push: high byte at SP-1 first, then low byte at SP-2."""
        sp = self.get("sp")
        self.write((sp - 1) % 65536, word // 256)
        self.write((sp - 2) % 65536, word % 256)
        self.put("sp", (sp - 2) % 65536)

    def pop(self) -> int:
        """Pop: low byte at SP first, then high byte at SP+1."""
        sp = self.get("sp")
        self.put("sp", (sp + 2) % 65536)
        return self.read16(sp)

    def memory_operand(self, idle: int = 5) -> int:
        """Give the address of (HL), or of (IX+d) after reading d and `idle` T-states of adding."""
        if self.index == "hl":
            return self.get("hl")
        displacement = self.operand8()
        self.idle(idle)
        return self.indexed(displacement)

    def indexed(self, displacement: int) -> int:
        """Add a signed displacement to IX or IY; the sum is also left in MEMPTR."""
        signed = displacement - 256 if displacement >= 128 else displacement
        address = (self.get(self.index) + signed) % 65536
        self.put("wz", address)
        return address
